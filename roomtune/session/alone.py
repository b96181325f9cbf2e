"""Each output by itself, held against the prediction as if it had a channel of its own.

One programme channel plays while every other output is muted in the amplifier: what
a driver does through its own route, filters and limiter is then heard alone, where
inside the channel its neighbours would cover it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomtune.advisor.prediction import Prediction, predict
from roomtune.capture.take import Take
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Tuning
from roomtune.session.channel_check import heard_weight, measured_response, predicted_response
from roomtune.session.likeness import likeness
from roomtune.session.verification import Verification, verify
from roomtune.system.model import Channel, System

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection


def driving_channels(tuning: Tuning) -> dict[str, str]:
    """For each output that any channel reaches, the channel that drives it loudest.

    The first in the tuning's order of those that drive it equally loud.
    """
    frequencies_hz = np.geomspace(15, 0.45 * tuning.sample_rate_hz, 400)
    peaks = np.abs(tuning_response(tuning, frequencies_hz)).max(axis=-1)
    loudest = np.argmax(np.round(peaks, 9), axis=0)
    return {
        output.name: tuning.channels[loudest[column]].name
        for column, output in enumerate(tuning.outputs)
        if peaks[:, column].max() > 0
    }


def only(tuning: Tuning, output: str, channel: str) -> Tuning:
    """The tuning with nothing left but what `channel` sends to `output`."""
    routes = tuple(r for r in tuning.routes if (r.channel, r.output) == (channel, output))
    return replace(tuning, routes=routes)


def verify_alone(
    system: System,
    tuning: Tuning,
    measured: Measured,
    takes: Mapping[str, Sequence[Take]],
    correction: MicrophoneCorrection | None = None,
) -> Verification:
    """Hold takes of single outputs (by the output's name) against the prediction.

    The rows' channels are the outputs' names. Takes without a loopback share no
    time: each is moved to where it is predicted, and arrivals are not judged.
    Raises MeasurementError when there is no usable take.
    """
    channels = {name: channel for name, channel in driving_channels(tuning).items() if takes[name]}
    apart = _apart(tuning, channels)
    prediction = predict(apart, measured)
    own = system.model_copy(update={"channels": tuple(Channel(name=name) for name in channels)})
    renamed = [
        _in_time(replace(take, source=name), prediction, correction)
        for name in channels
        for take in takes[name]
    ]
    return verify(own, prediction, renamed, correction, tuning=apart, measured=measured)


def _apart(tuning: Tuning, channels: Mapping[str, str]) -> Tuning:
    """The tuning in which each of these outputs has a channel of its name to itself."""
    settings = {channel.name: channel for channel in tuning.channels}
    routes = {(route.channel, route.output): route for route in tuning.routes}
    return replace(
        tuning,
        channels=tuple(replace(settings[c], name=name) for name, c in channels.items()),
        routes=tuple(replace(routes[c, name], channel=name) for name, c in channels.items()),
    )


def _in_time(take: Take, prediction: Prediction, correction: MicrophoneCorrection | None) -> Take:
    """The take where it is predicted in time, unless a loopback told its time."""
    if take.reference == "loopback":
        return take
    frequencies = prediction.response.frequencies_hz
    predicted = predicted_response(prediction, take.source, take.seat)
    found = measured_response(take, correction, prediction)
    later = likeness(predicted, found, frequencies, heard_weight(predicted, frequencies)).delay_s
    response = take.impulse_response
    return replace(take, impulse_response=replace(response, start_s=response.start_s - later))
