"""Coverage-guided fuzzing of every reader (needs atheris: `pip install atheris`).

    python tests/fuzzing/coverage_guided.py [executions per reader] [reader ...]

Every reader runs in a process of its own, from its sound files and what is kept in
corpus/, at most an hour. Prints for each: executions, seconds, branches known at
the start and found on the way, escapes (anything but a value or a RoomtuneError with a
sentence; a hang of 60 s, a crash or 2 GiB of memory end the reader's run). What
escapes is written below the folder that the last line names, as is, one file for each
place in the code. `--keep` adds what found new branches (up to 1 kB, at most 8 files)
to corpus/.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path
from random import Random

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"
LONGEST_S, HANG_S, MEMORY_MB, LONGEST_INPUT = 3600, 60, 2048, 4096
MOST_KEPT, LARGEST_KEPT = 8, 1024
ESCAPES = "escapes.json"


def slug(name: str) -> str:
    """A reader's name as a folder's."""
    return name.replace(" ", "-")


def fuzz(name: str, parser: str, runs: int, folder: Path) -> None:
    """Fuzz one reader in this process, guided by roomtune and the parser; ends the process."""
    import atheris

    sys.path.insert(0, str(HERE))
    with atheris.instrument_imports(include=["roomtune", parser]):
        from mutations import HOSTILE_WORDS, with_other_json
        from readers import READERS, outcome
        from specimens import make_project

    project, corpus, fell = (folder / part for part in ("project", "corpus", "fell"))
    for path in (project, corpus, fell):
        path.mkdir()
    seeds = make_project(project)[name]
    reader = next(item for item in READERS if item.name == name)
    kept = [path.read_bytes() for path in sorted((CORPUS / slug(name)).glob("*"))]
    for number, data in enumerate([*seeds, *kept]):
        (corpus / f"seed-{number:03d}").write_bytes(data)
    quoted = ("".join(f"\\x{byte:02x}" for byte in word[:60]) for word in HOSTILE_WORDS)
    (folder / "words").write_text("".join(f'"{word}"\n' for word in quoted))
    escapes: dict[str, int] = {}

    def once(data: bytes) -> None:
        try:
            outcome(reader, project, data)
        except Exception as error:
            where = place_of(error)
            if where not in escapes:
                (fell / f"{len(escapes):03d}").write_bytes(data)
            escapes[where] = escapes.get(where, 0) + 1
            (folder / ESCAPES).write_text(json.dumps(escapes, indent=1))

    options = {
        "runs": runs,
        "max_total_time": LONGEST_S,
        "timeout": HANG_S,
        "rss_limit_mb": MEMORY_MB,
        "max_len": LONGEST_INPUT,
        "seed": 1,
        "dict": folder / "words",
        "artifact_prefix": f"{fell}/",
    }

    def mutated(data: bytes, largest: int, seed: int) -> bytes:
        """Half of all JSON with other values in its structure, everything else byte by byte."""
        if reader.suffix == ".json" and seed % 2:
            with contextlib.suppress(ValueError, RecursionError):
                return with_other_json(data, Random(seed))[:largest]
        return bytes(atheris.Mutate(data, largest))

    words = [f"-{key}={value}" for key, value in options.items()]
    atheris.Setup([name, *words, str(corpus)], once, custom_mutator=mutated)
    atheris.Fuzz()


def place_of(error: Exception) -> str:
    """The kind of error and the last line of ours that it passed."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if "/roomtune/" in f.filename]
    last = frames[-1] if frames else traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} in {Path(last.filename).name} {last.name}"


def run(name: str, parser: str, runs: int, folder: Path) -> tuple[str, ...]:
    """Fuzz one reader in a process of its own; the line of the table."""
    folder.mkdir()
    begin = time.monotonic()
    command = [sys.executable, __file__, "--one", name, parser, str(runs), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    (folder / "log").write_text(done.stdout + done.stderr)
    lines = re.findall(r"^#(\d+)\s+\w+ +cov: (\d+)", done.stderr, re.MULTILINE)
    started = re.search(r"INITED +cov: (\d+)", done.stderr)
    count = max([int(n) for n, _ in lines], default=0)
    final = re.search(r"Done (\d+) (?:runs )?in", done.stderr)
    count = int(final[1]) if final else count
    before = int(started[1]) if started else 0
    found = max([int(cov) for _, cov in lines], default=before) - before
    file = folder / ESCAPES
    escapes = len(json.loads(file.read_text())) if file.exists() else 0
    ended = "" if done.returncode == 0 else f"ended with status {done.returncode}"
    seconds = time.monotonic() - begin
    return name, f"{count}", f"{seconds:.0f}", f"{before}", f"{found}", f"{escapes}", ended


def keep(name: str, folder: Path) -> None:
    """Add inputs that found new branches to the kept corpus, the shortest first."""
    target = CORPUS / slug(name)
    target.mkdir(parents=True, exist_ok=True)
    found = [p for p in (folder / "corpus").iterdir() if not p.name.startswith("seed-")]
    small = sorted((p.stat().st_size, p.name, p) for p in found)
    room = MOST_KEPT - len(list(target.iterdir()))
    for _, _, path in [item for item in small if 0 < item[0] <= LARGEST_KEPT][: max(room, 0)]:
        (target / path.name[:12]).write_bytes(path.read_bytes())


def main() -> None:
    """All readers in turn, or those that are named."""
    words = [word for word in sys.argv[1:] if word != "--keep"]
    if words[:1] == ["--one"]:
        fuzz(words[1], words[2], int(words[3]), Path(words[4]))
    sys.path.insert(0, str(HERE))
    from readers import READERS

    runs = int(words[0]) if words else 10_000
    parsers = {r.name: "tomllib" if r.suffix == ".toml" else "json" for r in READERS}
    names = words[1:] or list(parsers)
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
    scratch = Path(tempfile.mkdtemp(prefix="fuzzing-", dir=memory))
    row = "{:<26}{:>12}{:>9}{:>10}{:>8}{:>9}  {}".format
    print(row("reader", "executions", "seconds", "branches", "found", "escapes", ""))
    total = 0
    for name in names:
        line = run(name, parsers[name], runs, scratch / slug(name))
        total += int(line[1])
        print(row(*line), flush=True)
        if "--keep" in sys.argv:
            keep(name, scratch / slug(name))
    print(f"{total} executions; what escaped is below {scratch}")


if __name__ == "__main__":
    main()
