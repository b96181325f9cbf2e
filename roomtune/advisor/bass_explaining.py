"""What is told about the bass: where it goes, the subwoofers, and their crossover."""

from __future__ import annotations

from roomtune.advisor.aims import Aims
from roomtune.advisor.arrangement import subwoofer_places
from roomtune.advisor.bass_crossover import BassChoice
from roomtune.advisor.explaining import setting_text
from roomtune.advisor.layout import (
    bass_outputs,
    gives_bass_away,
    has_route_filters,
    shared_crossover_hz,
    shares_woofers,
)
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.ways import Way
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System

BASS_ALTERNATIVES = 3


def bass_proposals(
    aims: Aims,
    tuning: Tuning,
    gone: tuple[Way, ...],
    choices: tuple[BassChoice, ...],
) -> list[Proposal]:
    """Where bass goes, and how the subwoofers work together and with the rest.

    gone: the ways gone to the end, of which the first was taken; choices: all looked at.
    """
    found, places = gone[0].arrangement, subwoofer_places(aims)
    proposals = _routing_proposals(aims.system, gone[0].bass_hz)
    if len(places) > 1:
        proposals.append(
            Proposal(
                step="subwoofers",
                subject=", ".join(aims.model.outputs[p] for p in places),
                change="; ".join(setting_text(tuning, aims.model.outputs[p]) for p in places),
                evidence=f"responses at {len(aims.model.seats)} seats, "
                "several hundred settings compared",
                effect=f"seat-to-seat deviation in the bass {found.spread_db:.1f} dB, "
                f"{found.alone_db:.1f} dB if they merely arrived together; "
                f"{found.loss_db:.1f} dB less than all in phase",
                effect_db=round(found.alone_db - found.spread_db, 2),
            )
        )
    if places:
        proposals.append(_meeting_proposal(aims, gone, choices))
    return proposals


def _routing_proposals(system: System, bass_hz: float) -> list[Proposal]:
    """Which outputs play whose bass; nothing where no output is for bass."""
    names = [output.name for output in bass_outputs(system)]
    giving = [s.name for s in system.loudspeakers if gives_bass_away(system, s)]
    if not names:
        return []
    proposals, shared = [], shared_crossover_hz(system)
    if shares_woofers(system) and not has_route_filters(system) and shared is None:
        proposals.append(
            Proposal(
                step="bass routing",
                subject=", ".join(names),
                change="every loudspeaker keeps its own bass; LFE goes to these outputs",
                evidence="they belong to other channels, and neither filters on routes nor a low "
                "crossover of their own would keep all but the bass from them",
                effect="",
                refused=("redirecting the bass of small loudspeakers",),
            )
        )
    if giving:
        proposals.append(
            Proposal(
                step="bass routing",
                subject=", ".join(names),
                change=f"play the bass of {', '.join(giving)} below {bass_hz:g} Hz"
                + (", and the LFE 10 dB louder than the other channels" if has_lfe(system) else ""),
                evidence="these loudspeakers do not reach down by themselves"
                + (
                    "; the woofers' own low pass keeps the rest from them, for routes have no "
                    "filters"
                    if shared
                    else ""
                )
                + ("; ITU-R BS.775 asks for 10 dB in-band gain of LFE" if has_lfe(system) else ""),
                effect="full bass from every channel with headroom to spare",
            )
        )
    return proposals


def _meeting_proposal(
    aims: Aims, gone: tuple[Way, ...], choices: tuple[BassChoice, ...]
) -> Proposal:
    """The bass crossover, how the subwoofers meet the rest there, and what else was tried."""
    bass_hz, meeting = gone[0].bass_hz, gone[0].junction
    seats = f"{len(aims.model.seats)} {'seat' if len(aims.model.seats) == 1 else 'seats'}"
    pinned = " (pinned in [wishes])" if aims.system.wishes.bass_crossover_hz else ""
    tried = f"; {len(choices)} frequencies tried" if len(choices) > 1 else ""
    if len(gone) > 1:
        tried += f", {len(gone)} of them up to the finished equaliser, where this one leaves least"
    return Proposal(
        step="bass crossover",
        subject=", ".join(aims.model.outputs[p] for p in subwoofer_places(aims)),
        change=f"cross over at {bass_hz:g} Hz{pinned}; delay moved by {meeting.delay_ms:.2f} ms"
        + (", polarity turned over" if meeting.inverted else ""),
        evidence=f"sum with the main loudspeakers from {bass_hz / 2:.0f} to "
        f"{bass_hz * 2:.0f} Hz over all channels and {seats}{tried}",
        effect=f"{meeting.loss_db:.1f} dB lost to phase on the average",
        effect_db=round(meeting.loss_db, 2),
        refused=_alternatives(gone, choices),
    )


def _alternatives(gone: tuple[Way, ...], choices: tuple[BassChoice, ...]) -> tuple[str, ...]:
    """The best other crossovers with what each costs, those first that were gone to the end."""
    best = gone[0]
    told = [
        f"{way.choice}; equalised it costs {way.cost_db - best.cost_db:+.2f} dB" for way in gone[1:]
    ]
    known = {way.bass_hz for way in gone}
    others = [c for c in choices if c.frequency_hz not in known]
    least = min((c.cost_db for c in choices if c.frequency_hz in known), default=0.0)
    told += [
        f"{c}; costs {c.cost_db - least:+.2f} dB before equalising"
        for c in others[: max(BASS_ALTERNATIVES - len(told), 0)]
    ]
    return tuple(told)


def has_lfe(system: System) -> bool:
    """Whether a channel of low-frequency effects is delivered."""
    return any(channel.kind == "low frequency effects" for channel in system.channels)
