"""What is told about the steps that act on everything at once."""

from __future__ import annotations

import numpy as np

from roomtune.advisor.aims import Aims
from roomtune.advisor.alignment import own_outputs
from roomtune.advisor.prediction import Prediction
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import DEVIATION_BAND_HZ, Scores, main_channels, scores
from roomtune.processor.tuning import Filter, Tuning
from roomtune.system.model import System


def prediction_scores(system: System, prediction: Prediction) -> Scores:
    """Scores of a prediction on the whole FFT grid."""
    return scores(
        system,
        prediction.channels,
        prediction.seats,
        prediction.response,
        prediction.impulse_responses,
    )


def setting_text(tuning: Tuning, output: str) -> str:
    """Gain, delay and polarity of an output in words."""
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
                change="; ".join(setting_text(tuning, name) for name in outputs)
                + f"; channel {gain:+.1f} dB",
                evidence="arrival of the direct sound and level from 500 Hz to 2 kHz at the "
                "main seat",
                effect="arrives with the latest and is as loud as the quietest loudspeaker",
            )
        )
    return proposals


def equaliser_proposals(tuning: Tuning) -> list[Proposal]:
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
