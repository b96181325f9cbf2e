"""What is told about the steps that act on everything at once."""

from __future__ import annotations

import numpy as np

from roomtune.advisor.aims import Aims
from roomtune.advisor.alignment import own_outputs
from roomtune.advisor.arrangement import Arrangement, subwoofer_places
from roomtune.advisor.bass_crossover import BassChoice
from roomtune.advisor.layout import (
    bass_outputs,
    gives_bass_away,
    has_route_filters,
    shares_woofers,
)
from roomtune.advisor.prediction import Prediction
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import DEVIATION_BAND_HZ, Scores, main_channels, scores
from roomtune.advisor.state import State
from roomtune.advisor.subwoofers import Junction
from roomtune.processor.tuning import Filter, Tuning
from roomtune.system.model import System

BASS_ALTERNATIVES = 3


def prediction_scores(system: System, prediction: Prediction) -> Scores:
    """Scores of a prediction on the whole FFT grid."""
    return scores(
        system,
        prediction.channels,
        prediction.seats,
        prediction.response,
        prediction.impulse_responses,
    )


def bass_proposals(
    aims: Aims,
    tuning: Tuning,
    bass_hz: float,
    found: Arrangement,
    meeting: Junction,
    choices: tuple[BassChoice, ...] = (),
) -> list[Proposal]:
    """Where bass goes, and how the subwoofers work together and with the rest."""
    system = aims.system
    names = [output.name for output in bass_outputs(system)]
    giving = [s.name for s in system.loudspeakers if gives_bass_away(system, s)]
    if not names:
        return []
    proposals = []
    if shares_woofers(system) and not has_route_filters(system):
        proposals.append(
            Proposal(
                step="bass routing",
                subject=", ".join(names),
                change="every loudspeaker keeps its own bass; LFE goes to these outputs",
                evidence="they belong to other channels, and the processor has no filters on "
                "routes that would keep all but the bass from them",
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
                + ("; ITU-R BS.775 asks for 10 dB in-band gain of LFE" if has_lfe(system) else ""),
                effect="full bass from every channel with headroom to spare",
            )
        )
    places = subwoofer_places(aims)
    if len(places) > 1:
        proposals.append(
            Proposal(
                step="subwoofers",
                subject=", ".join(aims.model.outputs[p] for p in places),
                change="; ".join(_setting(tuning, aims.model.outputs[p]) for p in places),
                evidence=f"responses at {len(aims.model.seats)} seats, "
                "several hundred settings compared",
                effect=f"seat-to-seat deviation in the bass {found.spread_db:.1f} dB, "
                f"{found.alone_db:.1f} dB if they merely arrived together; "
                f"{found.loss_db:.1f} dB less than all in phase",
                effect_db=round(found.alone_db - found.spread_db, 2),
            )
        )
    if places:
        proposals.append(_meeting_proposal(aims, bass_hz, meeting, choices))
    return proposals


def _meeting_proposal(
    aims: Aims, bass_hz: float, meeting: Junction, choices: tuple[BassChoice, ...]
) -> Proposal:
    """The bass crossover, how the subwoofers meet the rest there, and what else was tried."""
    seats = f"{len(aims.model.seats)} {'seat' if len(aims.model.seats) == 1 else 'seats'}"
    pinned = " (pinned in [wishes])" if aims.system.wishes.bass_crossover_hz else ""
    best = choices[0].cost_db if choices else 0.0
    others = [c for c in choices if c.frequency_hz != bass_hz][:BASS_ALTERNATIVES]
    return Proposal(
        step="bass crossover",
        subject=", ".join(aims.model.outputs[p] for p in subwoofer_places(aims)),
        change=f"cross over at {bass_hz:g} Hz{pinned}; delay moved by {meeting.delay_ms:.2f} ms"
        + (", polarity turned over" if meeting.inverted else ""),
        evidence=f"sum with the main loudspeakers from {bass_hz / 2:.0f} to "
        f"{bass_hz * 2:.0f} Hz over all channels and {seats}"
        + (f"; {len(choices)} frequencies tried" if len(choices) > 1 else ""),
        effect=f"{meeting.loss_db:.1f} dB lost to phase on the average",
        effect_db=round(meeting.loss_db, 2),
        refused=tuple(f"{c}; costs {c.cost_db - best:+.2f} dB against the best" for c in others),
    )


def has_lfe(system: System) -> bool:
    """Whether a channel of low-frequency effects is delivered."""
    return any(channel.kind == "low frequency effects" for channel in system.channels)


def _setting(tuning: Tuning, output: str) -> str:
    setting = tuning.output(output)
    turned = ", inverted" if setting.inverted else ""
    return f"{output}: {setting.gain_db:+.1f} dB, {setting.delay_ms:.2f} ms{turned}"


def alignment_proposals(aims: Aims, tuning: Tuning) -> list[Proposal]:
    """Delays and levels of every loudspeaker."""
    proposals = []
    for channel in (aims.model.channels[c] for c in aims.mains):
        outputs = own_outputs(aims.system, channel)
        gain = tuning.channel(channel).gain_db
        proposals.append(
            Proposal(
                step="alignment",
                subject=channel,
                change="; ".join(_setting(tuning, name) for name in outputs)
                + f"; channel {gain:+.1f} dB",
                evidence="arrival of the direct sound and level from 500 Hz to 2 kHz at the "
                "main seat",
                effect="arrives with the latest and is as loud as the quietest loudspeaker",
            )
        )
    return proposals


def equaliser_proposals(aims: Aims, tuning: Tuning, state: State) -> list[Proposal]:
    """The parametric filters of every output."""
    proposals = []
    for setting in tuning.outputs:
        sections = [f for f in setting.filters if f.type not in ("low pass", "high pass", "fir")]
        if sections:
            proposals.append(
                Proposal(
                    step="equaliser",
                    subject=setting.name,
                    change="; ".join(map(filter_text, sections)),
                    evidence="deviation of the weighted seat average from the target, and of "
                    "left from right at the main seat",
                    effect=f"{len(sections)} {'filter' if len(sections) == 1 else 'filters'}, "
                    "each worth its place",
                )
            )
    return proposals


def filter_text(item: Filter) -> str:
    """A filter in words."""
    gain = f" {item.gain_db:+.1f} dB" if item.gain_db is not None else ""
    q = f", Q {item.q:.2f}" if item.q is not None else ""
    return f"{item.type} {item.frequency_hz:.1f} Hz{gain}{q}"


def result_proposals(system: System, before: Prediction, after: Prediction) -> list[Proposal]:
    """The whole of it in figures, before and after."""
    first, then = prediction_scores(system, before), prediction_scores(system, after)
    return [
        Proposal(
            step="result",
            subject="whole system",
            change=f"before: {first}; after: {then}",
            evidence="prediction from the takes of all outputs at "
            f"{', '.join(after.seats)} through the exact tuning as the processor holds it",
            effect="deviation from the target reduced",
            effect_db=round(float(np.subtract(first.deviation_db, then.deviation_db)), 2),
            uncertainty_db=level_uncertainty_db(system, after),
        )
    ]


def level_uncertainty_db(system: System, prediction: Prediction) -> float:
    """Uncertainty of a predicted level by the noise of the takes, dB.

    One standard deviation; median over main channels, seats and frequencies
    from 40 Hz to 16 kHz.
    """
    rows = [prediction.channels.index(n) for n in main_channels(system)]
    frequencies = prediction.response.frequencies_hz
    inside = (frequencies >= DEVIATION_BAND_HZ[0]) & (frequencies <= DEVIATION_BAND_HZ[1])
    return float(np.round(np.median(prediction.uncertainty_db[rows][..., inside]), 3))
