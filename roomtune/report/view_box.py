"""The view of a sealed box: its low end fitted, and held against the driver's data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.driver_data import SealedBox, sealed_box
from roomtune.analysis.sealed_box import (
    SealedBoxFit,
    fit_sealed_box,
    implied_volume_l,
    judge_box,
)
from roomtune.errors import RoomtuneError
from roomtune.report.plots import Line
from roomtune.report.subject import Subject
from roomtune.report.view import Column, Curve, Curves, Sheet, View
from roomtune.report.view_parts import frequency_plot, shown_range
from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.system.model import Output

Real = NDArray[np.float64]
POINTS_PER_OCTAVE = 48
WIDEST = 12.0
LARGEST_MISFIT_DB = 1.5
SURE_OF_RESONANCE = 0.15
SURE_OF_Q = 0.3
AROUND_EXPECTED = (0.4, 4.0)


def box(subject: Subject) -> View:
    """Resonance and total Q of every sealed box, with what data and volume predict.

    Raises RoomtuneError when no output has a sealed box.
    """
    there = subject.outputs if subject.near is None else subject.near.outputs
    rows = [
        row
        for row, name in enumerate(subject.outputs)
        if name in there and _is_boxed(_output(subject, row))
    ]
    if not rows:
        raise RoomtuneError(
            "None of these outputs has a sealed box to fit: tweeters have none, and the others "
            "are described as vented or open."
        )
    responses = [_response(subject, row) for row in rows]
    with np.errstate(divide="ignore", invalid="ignore"):  # far off the mark it may try Q = 0
        fits = [fit_sealed_box(response, band) for response, band in responses]
    bands = np.array([band for _, band in responses])
    frequencies = log_frequencies_hz(bands[:, 0].min(), bands[:, 1].max(), POINTS_PER_OCTAVE)
    curves, lines = [], []
    for place, (row, fit) in enumerate(zip(rows, fits, strict=True)):
        pair = _curves(subject.outputs[row], fit, responses[place], frequencies)
        curves += pair
        drawn = pair if is_sure(fit) else pair[:1]
        for curve, role in zip(drawn, ("measured", "fitted"), strict=False):
            colour = place + (8 if role == "fitted" else 0)
            lines.append(Line(f"{curve.output}, {role}", curve.values, "part", colour))
    known = np.stack([line.values for line in lines])
    plot = frequency_plot(
        "Low end of the box", frequencies, lines, "level in dB re the pass band",
        shown_range(known, 40.0),
    )  # fmt: skip
    return View(
        f"Sealed boxes, {_where(subject)}",
        "A resonance far from what data and volume predict means a wrong volume or driver; a "
        "leak shows as a dip and a bump at the very bottom.",
        (_sheet(subject, rows, fits),),
        Curves((("frequency_hz", frequencies),), tuple(curves)),
        (plot,),
    )


def _curves(
    name: str,
    fit: SealedBoxFit,
    seen: tuple[FrequencyResponse, tuple[float, float]],
    frequencies: Real,
) -> list[Curve]:
    """Measured and fitted level re the pass band, in the band that was fitted."""
    response, (low, high) = seen
    level = np.interp(frequencies, response.frequencies_hz, response.magnitude_db)
    reference = fit.level_db if is_sure(fit) else float(level.max())
    inside = (frequencies >= low) & (frequencies <= high)
    return [
        Curve(name, "", quantity, np.where(inside, values - reference, np.nan))
        for quantity, values in (
            ("level_db", level),
            ("fitted_level_db", fitted_level_db(fit, frequencies)),
        )
    ]


def fitted_level_db(fit: SealedBoxFit, frequencies_hz: Real) -> Real:
    """Level of the fitted model without its leak: high pass, pass band, fall above."""
    fall = 1 / (1 + 1j * frequencies_hz / fit.roll_off_hz)
    return fit.level_db + 20 * np.log10(np.abs(fit.box.response(frequencies_hz) * fall))


def expected_box(output: Output) -> SealedBox | None:
    """What the driver's data and the box's volume predict, where all are known."""
    data, enclosure = output.data, output.enclosure
    if enclosure is None or enclosure.volume_l is None:
        return None
    if not (data.resonance_hz and data.total_q and data.equivalent_volume_l):
        return None
    return sealed_box(data.resonance_hz, data.total_q, data.equivalent_volume_l, enclosure.volume_l)


def _output(subject: Subject, row: int) -> Output:
    return subject.system.output(subject.outputs[row])


def _is_boxed(output: Output) -> bool:
    sealed = output.enclosure is None or output.enclosure.kind == "sealed"
    return sealed and output.driver != "tweeter"


def _response(subject: Subject, row: int) -> tuple[FrequencyResponse, tuple[float, float]]:
    """The low end at the cone where the session was made there, else at the seat; its band."""
    seen: ImpulseResponse = subject.measured.responses[row, 0]
    if subject.near is not None:
        seen = subject.near.responses[subject.near.outputs.index(subject.outputs[row]), 0]
    low, high = subject.band_hz(row)
    expected = expected_box(_output(subject, row))
    top = WIDEST * low
    if expected is not None:
        low = max(low, AROUND_EXPECTED[0] * expected.resonance_hz)
        top = AROUND_EXPECTED[1] * expected.resonance_hz
    band = (low, min(top, high))
    if band[1] < 2.5 * band[0]:
        band = (subject.band_hz(row)[0], high)
    return seen.response_at(log_frequencies_hz(*band, POINTS_PER_OCTAVE)), band


def is_sure(fit: SealedBoxFit) -> bool:
    """Whether a fit may be stated: it follows the response, and its values are pinned down."""
    return (
        fit.residual_db < LARGEST_MISFIT_DB
        and fit.resonance_uncertainty_hz < SURE_OF_RESONANCE * fit.box.resonance_hz
        and fit.q_uncertainty < SURE_OF_Q * fit.box.total_q
    )


def _sheet(subject: Subject, rows: list[int], fits: list[SealedBoxFit]) -> Sheet:
    outputs = [_output(subject, row) for row in rows]
    expected = [expected_box(output) for output in outputs]
    known = [is_sure(fit) for fit in fits]

    def told(key: str, heading: str, values: list[float], digits: int) -> Column:
        cells = [value if sure else None for value, sure in zip(values, known, strict=True)]
        return Column(key, heading, cells, digits)

    leaks = [fit.leak_hz if fit.leak_hz and sure else None for fit, sure in
             zip(fits, known, strict=True)]  # fmt: skip
    return Sheet(
        "boxes",
        f"Sealed boxes, {_where(subject)}",
        (
            Column("output", "output", [output.name for output in outputs]),
            told("resonance_hz", "fc Hz", [f.box.resonance_hz for f in fits], 1),
            told("resonance_uncertainty_hz", "±", [f.resonance_uncertainty_hz for f in fits], 1),
            told("total_q", "Qtc", [f.box.total_q for f in fits], 2),
            told("q_uncertainty", "±", [f.q_uncertainty for f in fits], 2),
            told("cutoff_hz", "-3 dB Hz", [f.box.cutoff_hz for f in fits], 1),
            Column("misfit_db", "misfit dB", [f.residual_db for f in fits], 1),
            Column("leak_hz", None, leaks, 0),
            Column(
                "",
                "leak Hz",
                [
                    "?" if not sure else f"{leak:.0f}" if leak else "none"
                    for leak, sure in zip(leaks, known, strict=True)
                ],
            ),
            Column("expected_hz", "data fc", [e.resonance_hz if e else None for e in expected], 1),
            Column("expected_q", "Qtc", [e.total_q if e else None for e in expected], 2),
            told("volume_l", "litres", _volumes_l(outputs, fits), 1),
        ),
        (*_remarks(subject, all(known)), *_findings(outputs, fits, expected, known)),
    )


def _volumes_l(outputs: list[Output], fits: list[SealedBoxFit]) -> list[float]:
    """Volumes that the fits and the drivers' data imply, NaN without data."""
    volumes = []
    for output, fit in zip(outputs, fits, strict=True):
        data = output.data
        volume_l = float("nan")
        if data.resonance_hz and data.equivalent_volume_l:
            volume_l = implied_volume_l(fit, data.resonance_hz, data.equivalent_volume_l)
        volumes.append(volume_l)
    return volumes


def _findings(
    outputs: list[Output],
    fits: list[SealedBoxFit],
    expected: list[SealedBox | None],
    known: list[bool],
) -> list[str]:
    return [
        f"{output.name}: {finding.text}"
        for output, fit, wanted, sure in zip(outputs, fits, expected, known, strict=True)
        if wanted is not None and sure
        for finding in judge_box(fit, wanted)
    ]


def _remarks(subject: Subject, all_known: bool) -> tuple[str, ...]:
    unsure = "" if all_known else "A question mark: no sealed box follows that response closely. "
    if subject.near is not None:
        return (unsure.strip(),) if unsure else ()
    return (
        f"{unsure}These takes were made at a seat, with the room in them. For the box alone "
        "measure with the microphone 1 cm from the cone into a session of its own, and name it "
        "here: --near SESSION",
    )


def _where(subject: Subject) -> str:
    return "at the cone" if subject.near is not None else f"at {subject.seats[0]}"
