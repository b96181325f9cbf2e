"""One small sound file of every sort that roomtune reads, and odd sounds."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile
from readers import RATE, READERS

from roomtune.advisor.proposal import Proposal
from roomtune.capture.exchange import write_playback
from roomtune.capture.measure import CapturedTake
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.take import Finding, Take, Verdict
from roomtune.processor.storage import read_tuning, write_tuning
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.session import documents
from roomtune.session.comparison import Change, Comparison
from roomtune.session.folder import Session
from roomtune.session.followed import keep_followed
from roomtune.session.packing import pack
from roomtune.session.part_checks import PartCheck
from roomtune.session.verdicts import Diagnosis, Verification, VerificationRow
from roomtune.signal.recording import Recording
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum
from roomtune.system.reading import read_system
from roomtune.system.wishing import with_wishes
from roomtune.virtual.scenario import SHIPPED


def make_project(folder: Path) -> dict[str, list[bytes]]:
    """Write a sound file of every sort; returns the seeds of each reader by its name."""
    scenario = SHIPPED / "attic-stereo"
    for name in ("system.toml", "room.toml", "microphone.txt"):
        (folder / name).write_bytes((scenario / name).read_bytes())
    for writing in (_write_tunings, _write_recordings, _write_session, _write_documents):
        writing(folder)
    (folder / "plain.toml").write_bytes((folder / "system.toml").read_bytes())
    (folder / "level.toml").write_bytes((folder / "system.toml").read_bytes())
    (folder / "wish.toml").write_text("maximum_boost_db = 3\n")
    (folder / "words.txt").write_text("2 dB more below 100 Hz")
    (folder / "companions").mkdir()
    (folder / "companions" / "system.toml").write_bytes((folder / "system.toml").read_bytes())
    (folder / "curve.txt").write_text("20 3.0\n1000 0\n20000 -4.5\n")
    (folder / "layout.toml").write_text(
        'columns = ["filter type", "frequency (Hz)"]\nseparator = ";"\ndecimal_comma = true\n'
        '[names]\n"frequency (Hz)" = "f"\n[words]\n"peaking" = "bell"\n'
        '[biquads]\nnumber_format = "5.23"\nfeedback = "added"\nhalved_middle = false\n'
        'best_words = true\ncolumns = ["name", "section", "b0", "b1", "b2", "a1", "a2"]\n'
    )
    seeds = {reader.name: [(folder / reader.place).read_bytes()] for reader in READERS}
    for reader in READERS:
        if reader.suffix in (".wav", ".flac"):
            seeds[reader.name] += [data for _, data in odd_sounds()]
    seeds["packed session"] += climbing_archives(seeds["packed session"][0])
    return seeds


def climbing_archives(packed: bytes) -> list[bytes]:
    """The packed session with a file of a name that leads elsewhere, and one with it twice."""
    archives = []
    for name in ("../../../climbed", "/climbed.txt", "..\\climbed", "takes/../../climbed", "./x"):
        archives.append(_with_file(packed, name))
    return [*archives, _with_file(packed, "session.json"), _with_file(packed, "a" * 300)]


def _with_file(packed: bytes, name: str) -> bytes:
    """The archive with one more file that its index names too."""
    changed = io.BytesIO()
    data = b"climbed"
    entry = {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    with zipfile.ZipFile(io.BytesIO(packed)) as old, zipfile.ZipFile(changed, "w") as new:
        for info in old.infolist():
            content = old.read(info)
            if info.filename.endswith("/session.json"):
                top = info.filename.split("/")[0]
                plain = json.loads(content)
                plain["files"][name] = entry
                content = json.dumps(plain).encode()
            new.writestr(info.filename, content)
        if name != "session.json":
            new.writestr(f"{top}/{name}", data)
    return changed.getvalue()


def odd_sounds() -> list[tuple[str, bytes]]:
    """Sound files that are well formed and yet not what was wanted."""
    tone = 0.1 * np.sin(np.arange(800))
    kinds: list[tuple[str, np.ndarray, int, str, str]] = [
        ("wrong rate", tone, 11025, "WAV", "PCM_16"),
        ("silence", np.zeros(800), RATE, "WAV", "PCM_24"),
        ("constant", np.full(800, 0.5), RATE, "WAV", "FLOAT"),
        ("not a number", np.full(80, np.nan), RATE, "WAV", "FLOAT"),
        ("infinite", np.full(80, np.inf), RATE, "WAV", "DOUBLE"),
        ("huge", np.full(80, 1e38), RATE, "WAV", "FLOAT"),
        ("8 bits", tone, RATE, "WAV", "PCM_U8"),
        ("stereo", np.stack([tone, tone], axis=1), RATE, "WAV", "PCM_16"),
        ("compressed", tone, RATE, "FLAC", "PCM_16"),
        ("without samples", np.zeros(0), RATE, "WAV", "PCM_16"),
        ("one hertz", tone[:80], 1, "WAV", "PCM_16"),
        ("many channels", np.zeros((2, 300)), RATE, "WAV", "PCM_16"),
    ]
    return [(what, _sound(*rest)) for what, *rest in kinds] + [
        ("said to be long", said_to_be_long(_sound(tone, RATE, "WAV", "PCM_16"))),
        ("said to be long, compressed", flac_said_to_be_long(_sound(tone, RATE, "FLAC", "PCM_16"))),
    ]


def _sound(samples: np.ndarray, rate: int, form: str, subtype: str) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, samples, rate, format=form, subtype=subtype)
    return file.getvalue()


def said_to_be_long(wav: bytes) -> bytes:
    """A WAV file whose head promises 4 GiB."""
    place = wav.index(b"data") + 4
    return wav[:4] + b"\xff\xff\xff\xff" + wav[8:place] + b"\xf0\xff\xff\xff" + wav[place + 4 :]


def flac_said_to_be_long(flac: bytes) -> bytes:
    """A FLAC file whose head promises 2^36 - 1 samples (the last 36 bits before the MD5)."""
    head = bytearray(flac)
    head[21] |= 0x0F
    head[22:26] = b"\xff\xff\xff\xff"
    return bytes(head)


# What is written


def _write_tunings(folder: Path) -> None:
    filters = (
        Filter("low pass", 2000.0, family="Linkwitz-Riley", order=4),
        Filter("peaking", 120.0, q=4.0, gain_db=-5.0),
    )
    taps = (Filter("fir", taps=(1.0, 0.5)),)
    for name, used in (("tuning.json", filters), ("with-taps.json", taps)):
        tuning = Tuning(
            float(RATE),
            (ChannelSetting("L"),),
            (Route("L", "woofer"),),
            (OutputSetting("woofer", 1, gain_db=-1.0, delay_ms=2.5, filters=used),),
        )
        write_tuning(folder / name, tuning)
    text = (folder / "with-taps.json").read_text()
    (folder / "with-taps.json").write_text(text.replace("[1.0, 0.5]", '"taps.wav"'))
    (folder / "taps.wav").write_bytes(_sound(np.array([1.0, 0.5]), RATE, "WAV", "FLOAT"))
    song = 0.1 * np.random.default_rng(1).standard_normal(200)
    (folder / "song.wav").write_bytes(_sound(song, RATE, "WAV", "PCM_16"))


def _requests() -> list[TakeRequest]:
    settings = CaptureSettings(
        sweep_duration_s=0.1, lead_s=0.1, tail_s=0.02, end_s=0.05, marker_s=0.03,
        marker_spacing_s=0.15, marker_gap_s=0.05,
    )  # fmt: skip
    reference = Reference("acoustic", Marker(1000.0, 3000.0, 0.03, -12.0), 1)
    sweep = Sweep(200.0, 3000.0, 0.1, float(RATE))
    return [TakeRequest("woofer", "output", "main", 1, sweep, -12.0, reference, settings)]


def _write_recordings(folder: Path) -> None:
    for name in ("play", "planned"):
        write_playback(folder / f"{name}.wav", _requests())
    (folder / "plan.json").write_bytes((folder / "planned.json").read_bytes())
    played, rate = soundfile.read(folder / "play.wav")
    noise = 1e-4 * np.random.default_rng(2).standard_normal(played.shape)
    for name, form in (("recording.wav", "WAV"), ("recording.flac", "FLAC")):
        (folder / name).write_bytes(_sound(played + noise, rate, form, "PCM_16"))


def make_take() -> Take:
    """A small take that holds something in every field."""
    random = np.random.default_rng(3)
    return Take(
        "woofer", "output", "main", Sweep(20.0, 3000.0, 1.5, float(RATE)), -12.5,
        ImpulseResponse(random.normal(size=32).astype("f4"), RATE, -0.001),
        NoiseSpectrum([0.0, 100.0, 4000.0], [1e-9, 1e-10, 1e-10]),
        tuple(ImpulseResponse(random.normal(size=n).astype("f4"), RATE, -0.1) for n in (7, 5)),
        Verdict("usable", (Finding("hum", "usable", "hum at 50 Hz"),)),
        "acoustic", 0.25, "2026-03-01T20:15:00+00:00", octave_snr_db=((125.0, 40.0),),
    )  # fmt: skip


def _write_session(folder: Path) -> None:
    for name in ("evening", "crashed", "changing"):
        session = Session.create(
            folder, name, folder / "system.toml", state="doors closed", tags=("first",),
            now=datetime(2026, 3, 1, 20, tzinfo=UTC),
        )  # fmt: skip
        session.note("a quiet evening")
        steps = np.round(np.random.default_rng(4).normal(size=(40, 1)) * 1000) / 2**23
        captured = CapturedTake(make_take(), Recording(steps, RATE, ("late",)), _requests()[0])
        empty = (session.path / "session.json").read_bytes()
        session.add(captured)
        session.save_tuning(read_tuning(folder / "tuning.json"))
        if name == "evening":
            followed = with_wishes(read_system(folder / "system.toml"), ["maximum_boost_db = 1.5"])
            keep_followed(session, followed)
            pack(session, folder / "packed.zip")
        if name == "crashed":
            (session.path / "session.json").write_bytes(empty)


def _write_documents(folder: Path) -> None:
    three = np.array([1.0, -0.5, 2.0])
    row = VerificationRow(
        "L", "main", three, three - 0.1, three * 0.01, np.array([True, False, True]), 0.1, 0.02, 1,
        0.99, (PartCheck("woofer", 0.1, 1, 0.9, 500.0),), (),
    )  # fmt: skip
    verification = Verification(
        three * 100, (row,), {"main": 0.1}, diagnosis=(Diagnosis("gain", "L", "too loud", 0.5),)
    )
    values = {
        documents.ADVICE: (Proposal("polarity", "woofer", "invert", "it is", "more", 1.0, 0.1),),
        documents.VERIFICATION: verification,
        documents.COMPARISON: Comparison(
            ("woofer",), ("main",), three, three[None, None], (_change(),), True, "it is worse",
            {"level_spread_db": 1.0}, {"level_spread_db": 2.0},
        ),
    }  # fmt: skip
    for form, value in values.items():
        (folder / f"{form.split()[-1]}.json").write_bytes(documents.document_text(form, value))


def _change() -> Change:
    return Change("moved", "woofer", "woofer stands 0.1 m further away", 0.1, "m", 12.0)
