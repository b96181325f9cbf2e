"""The steps after measuring, and the renewal of an old session, killed at random moments.

    python tests/benchmarks/killed_steps.py [KILLS OF EACH]

`roomtune advise` and `roomtune report` run on a small measured session; what they work
out is worked out once beforehand, so that a run is reading, checking and writing. The
index of another session is set back to an older version (with a step of migration that
renames a key) and renewed by a note. A process is forked for every run and killed
(SIGKILL) at a random moment of the time that an undisturbed run takes. Afterwards
every file that was there must be as it was, what a run said it wrote must be there,
advice and tuning must belong together, and an old index be whole or renewed whole.
Ends with status 1 when any of that fails.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from click.testing import CliRunner

import roomtune.cli.responses
import roomtune.report.html
from roomtune.cli.main import main
from roomtune.session import index as indexes
from roomtune.session.folder import Session, latest

SEED = 3
MEASURED = ("measure", "--virtual", ".", "--yes", "--duration", "0.5", "--seat")
OLD_KEY = "room_state"
ADVISED = ("advice", "starting-tuning", "tuning")


def prepared(folder):
    """A measured, advised and reported session; the functions are replaced by their results."""
    os.chdir(folder)
    runner = CliRunner()
    runner.invoke(main, ["new", "--scenario", "attic-stereo"], catch_exceptions=False)
    system = Path("system.toml").read_text()
    seat = re.findall(r'^\[\[seats\]\]\nname = "(.*)"', system, re.MULTILINE)[0]
    runner.invoke(main, [*MEASURED, seat], catch_exceptions=False)
    session = latest(folder)
    texts = {}
    for module, name in (
        (roomtune.cli.responses, "advice_of"),
        (roomtune.report.html, "report_html"),
    ):
        keep_result(module, name, texts)
    for words in (["advise"], ["report"]):
        done = runner.invoke(main, words, catch_exceptions=False)
        assert done.exit_code == 0, done.output
    return session.path


def keep_result(module, name, results):
    """Let a function answer what it answered first."""
    work_out = getattr(module, name)

    def once(*arguments):
        if name not in results:
            results[name] = work_out(*arguments)
        return results[name]

    setattr(module, name, once)


def run(work, kill_after_s):
    """Fork, kill after some time (None: never); what it told before."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        try:
            os.write(writing, work().encode())
        finally:
            os._exit(0)
    os.close(writing)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(pid, signal.SIGKILL)
    with os.fdopen(reading, "rb") as file:
        told = file.read().decode()
    os.waitpid(pid, 0)
    return told


def command(*words):
    """Run a command; what it said."""
    done = CliRunner().invoke(main, list(words), catch_exceptions=False)
    return done.output


def files_of(path):
    """Every visible file of a session but the index, with its content."""
    return {
        p.relative_to(path).as_posix(): p.read_bytes()
        for p in path.rglob("*")
        if p.is_file() and not p.name.startswith(".") and p.name != indexes.FILE
    }


def documents_trial(path, words, kills, random):
    """Kill a command that keeps documents; faults and how many runs wrote something."""
    begin = time.monotonic()
    run(lambda: command(*words), None)
    usual_s = time.monotonic() - begin
    faults, wrote = [], 0
    for _ in range(kills):
        before = files_of(path)
        told = run(lambda: command(*words), random.uniform(0, 1.2 * usual_s))
        after = files_of(path)
        faults += [f"{n} changed or went" for n, data in before.items() if after.get(n) != data]
        faults += faults_of(path)
        wrote += len(after) > len(before)
        for name in re.findall(r"Wrote \S*/([a-z0-9-]+\.\w+)", told):
            if name not in after:
                faults.append(f"{name} was told to be written and is not there")
    return faults, wrote


def faults_of(path):
    """What is wrong with a session's own account of itself."""
    session = Session.open(path)
    faults = [text for text in session.check() if "missing" in text or "changed" in text]
    listed = list(json.loads((path / indexes.FILE).read_text())["files"])
    places = [listed.index(session.current(sort).name) for sort in ADVISED]
    if places != list(range(places[0], places[0] + len(ADVISED))):  # not listed in one go
        faults.append("the current advice and the current tuning are of different runs")
    if session.tuning() is None or not session.proposals():
        faults.append("the tuning or the advice cannot be read")
    return faults


def migration_trial(path, kills, random):
    """Kill the renewal of an old index; faults and how often it was renewed."""
    indexes.MIGRATIONS[0] = lambda p: {
        **{k: v for k, v in p.items() if k != OLD_KEY}, "state": p[OLD_KEY], "version": 1
    }  # fmt: skip
    plain = json.loads((path / indexes.FILE).read_text())
    plain |= {"version": 0, OLD_KEY: plain.pop("state")}
    old = json.dumps(plain).encode()
    original = path.with_name("old")
    shutil.copytree(path, original)
    (original / indexes.FILE).write_bytes(old)
    work = path.with_name("renewed")
    usual_s, faults, renewed = 0.0, [], 0
    for number in range(kills + 1):
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(original, work)
        begin = time.monotonic()
        run(lambda: Session.open(work).note("renewed") or "", None if not number
            else random.uniform(0, 1.2 * usual_s))  # fmt: skip
        usual_s = usual_s or time.monotonic() - begin
        renewed += json.loads((work / indexes.FILE).read_text())["version"] == 1
        faults += renewal_faults(work, old, original)
    return faults, renewed


def renewal_faults(work, old, original):
    """What is wrong after a renewal that may have been killed, then with the next one."""
    faults = []
    index, copy = (work / indexes.FILE).read_bytes(), work / "session-version-0.json"
    if json.loads(index)["version"] == 0 and index != old:
        faults.append("the old index was changed")
    if json.loads(index)["version"] == 1 and copy.read_bytes() != old:
        faults.append("the old index was not kept")
    Session.open(work).note("once more")
    session = Session.open(work)
    if session.entries() != Session.open(original).entries():
        faults.append("takes were lost")
    if copy.read_bytes() != old or session.notes[-1]["text"] != "once more":
        faults.append("the second renewal failed")
    return faults + [text for text in session.check() if "missing" in text or "changed" in text]


def trial(kills):
    """All three; the table's rows and all faults."""
    random = np.random.default_rng(SEED)
    rows, faults = [], []
    with tempfile.TemporaryDirectory() as folder:
        path = prepared(Path(folder))
        for words in (("advise",), ("report",)):
            found, wrote = documents_trial(path, words, kills, random)
            rows.append((words[0], kills, wrote, len(found)))
            faults += found
        found, renewed = migration_trial(path, kills, random)
        rows.append(("migration", kills, renewed - 1, len(found)))
        os.chdir("/")
    return rows, faults + found


if __name__ == "__main__":
    rows, faults = trial(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
    print(f"{'step':<12}{'kills':>6}{'wrote':>7}{'faults':>8}")
    for row in rows:
        print(f"{row[0]:<12}{row[1]:>6}{row[2]:>7}{row[3]:>8}")
    print(*faults[:5], sep="\n")
    raise SystemExit(1 if faults else 0)
