"""The report in plain words: summary, before and after, cautions."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from roomtune.advisor.proposal import Proposal
from roomtune.report.content import Content

CAUTIONS = (
    (
        "Hearing",
        "Start quietly. Occupational guidance limits 85 dBA to eight hours a day and halves the "
        "time for every 3 dB more (NIOSH 98-126); for leisure, 80 dBA for 40 hours a week "
        "(ITU-T H.870). Leave the room or use ear protection during loud sweeps.",
    ),
    (
        "Tweeters",
        "A tweeter dies within a second of full bass. Type its high pass in first, mute the "
        "output while you do, and check it at a low level before anything louder.",
    ),
    (
        "First sound",
        "Turn the volume far down before the new settings play for the first time, and raise "
        "it slowly. If something sounds thin, harsh or distorted, stop and compare every value.",
    ),
    (
        "Mains",
        "Switch the amplifier off and pull the plug before changing wires. Never measure on "
        "loudspeaker outputs of a bridged amplifier with an earthed input.",
    ),
    (
        "Mounting",
        "Whatever hangs on a wall or a ceiling needs fixings for several times its weight and a "
        "second, independent safety. Bass works screws loose: look at them once a year.",
    ),
    (
        "Keep a copy",
        "Save the amplifier's former settings before typing these in, so that you can go back.",
    ),
)


@dataclass(frozen=True)
class ScoreRow:
    """One line of the before/after table; `better` is None where it cannot be said."""

    name: str
    before: str
    after: str
    better: bool | None
    meaning: str


def score_rows(content: Content) -> list[ScoreRow]:
    """The four figures of merit before and after."""
    before, after = content.scores_before, content.scores_after
    if before is None or after is None:
        return []
    table = (
        ("level_spread_db", "Channel levels within", "dB", 2, "500 Hz to 2 kHz at the main seat"),
        ("arrival_spread_ms", "Arrivals within", "ms", 3, "of the main channels at the main seat"),
        ("left_right_mismatch_db", "Largest left/right difference", "dB", 2,
         "in any third octave from 100 Hz to 8 kHz at the main seat"),
        ("deviation_db", "Deviation from the target", "dB", 2,
         "rms over third octaves from 40 Hz to 16 kHz, average of the seats"),
    )  # fmt: skip
    rows = []
    for key, name, unit, digits, meaning in table:
        old, new = float(getattr(before, key)), float(getattr(after, key))
        known = np.isfinite(old) and np.isfinite(new)
        texts = [f"{v:.{digits}f} {unit}" if np.isfinite(v) else "unknown" for v in (old, new)]
        better = bool(new < old - 10**-digits) if known else None
        rows.append(ScoreRow(name, texts[0], texts[1], better, meaning))
    return rows


def channel_rows(content: Content) -> list[dict[str, str]]:
    """Per main channel: level, arrival and deviation, before and after."""
    before, after = content.scores_before, content.scores_after
    if before is None or after is None:
        return []
    level = float(np.mean(after.channel_levels_db))
    old_level = float(np.mean(before.channel_levels_db))
    arrival, old_arrival = np.nanmin(after.arrivals_ms), np.nanmin(before.arrivals_ms)
    return [
        {
            "channel": name,
            "level_before": f"{round(before.channel_levels_db[i] - old_level, 1) + 0.0:+.1f}",
            "level_after": f"{round(after.channel_levels_db[i] - level, 1) + 0.0:+.1f}",
            "arrival_before": f"{before.arrivals_ms[i] - old_arrival:.2f}",
            "arrival_after": f"{after.arrivals_ms[i] - arrival:.2f}",
            "deviation_before": f"{before.channel_deviations_db[i]:.1f}",
            "deviation_after": f"{after.channel_deviations_db[i]:.1f}",
        }
        for i, name in enumerate(after.channels)
    ]


def summary(content: Content) -> list[str]:
    """What a person wants to know first, in a few sentences."""
    found = []
    if content.measured is not None:
        outputs, seats = len(content.measured.outputs), len(content.measured.seats)
        found.append(f"{_count(outputs, 'output')} measured at {_count(seats, 'seat')}.")
    before, after = content.scores_before, content.scores_after
    if before is not None and after is not None:
        found.append(
            f"The new tuning brings the sound at the seats from {before.deviation_db:.1f} dB to "
            f"{after.deviation_db:.1f} dB off the target on average; channel levels agree within "
            f"{after.level_spread_db:.2f} dB (before: {before.level_spread_db:.2f} dB)"
            + _arrivals(before.arrival_spread_ms, after.arrival_spread_ms)
        )
    if content.advice is not None:
        found += _advice_sentences(content)
    if content.verification is not None:
        found.append(f"Verification: {content.verification.summary}")
    if content.alone is not None:
        found.append(f"Single outputs, all others muted: {content.alone.summary}")
    if content.comparison is not None:
        found.append(f"Since last time: {content.comparison.summary}")
    return found


def _arrivals(before_ms: float, after_ms: float) -> str:
    if not (np.isfinite(before_ms) and np.isfinite(after_ms)):
        return "."
    return f", and sound arrives within {after_ms:.2f} ms (before: {before_ms:.2f} ms)."


def _advice_sentences(content: Content) -> list[str]:
    assert content.advice is not None
    steps = Counter(p.step for p in content.advice.proposals)
    refused = sum(len(p.refused) for p in content.advice.proposals)
    flips = [o.name for o in content.advice.tuning.outputs if o.inverted]
    found = [f"{_count(sum(steps.values()), 'proposal')} below, each with its reason."]
    if flips:
        found.append(f"Polarity is inverted at {', '.join(flips)}.")
    if refused:
        found.append(
            f"{_count(refused, 'thing')} {'was' if refused == 1 else 'were'} left alone on "
            "purpose; the proposals say why."
        )
    return found


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def proposals_by_step(content: Content) -> list[tuple[str, list[Proposal]]]:
    """All proposals in their order, with the step of each run of neighbours."""
    proposals = content.advice.proposals if content.advice else ()
    return [(step, list(run)) for step, run in groupby(proposals, lambda p: p.step)]


def take_rows(content: Content) -> list[dict[str, str]]:
    """What was found about each take that is not simply good."""
    rows = []
    for take in content.takes:
        rows.append({
            "what": f"{take.kind} {take.source}",
            "seat": take.seat,
            "grade": take.verdict.grade,
            "recorded_at": take.recorded_at,
            "findings": "; ".join(f.text for f in take.verdict.findings),
        })  # fmt: skip
    return rows
