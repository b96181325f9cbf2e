"""Band powers of every channel at every seat as a quadratic form of the tuning.

Within a narrow band the electrical responses T hardly change, so the mean
power of a sum of outputs is  sum_o,p T_o conj(T_p) C_op  with the measured
covariances C_op = mean(H_o conj(H_p)) over the band. This is the band mean of
`prediction.predict`, thousands of times cheaper, with exact derivatives, but for
the power that the noise of the takes adds: its expected value is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.processor.tuning import Tuning
from roomtune.signal.bands import band_centres_hz, band_edges_hz, mean_over_bands

FINE_LIMIT_HZ = 501.1872336272722  # edge of a third-octave band
FINE, COARSE = 24, 12
LEAST_LEFT = 0.25


@dataclass(frozen=True, eq=False)
class EnergyModel:
    """Covariances of the outputs that share a channel, in narrow bands.

    outputs, seats: as measured. centres_hz, edges_hz: (k,), (k, 2).
    members[c]: indices of the outputs of channel c; covariances[c]:
    (outputs, outputs, seats, k) of these. noise: (outputs, seats, k) variance
    of a response that the noise explains. averages: over seats, as far as asked for before.
    """

    channels: tuple[str, ...]
    outputs: tuple[str, ...]
    seats: tuple[str, ...]
    centres_hz: NDArray[np.float64]
    edges_hz: NDArray[np.float64]
    members: tuple[NDArray[np.intp], ...]
    covariances: tuple[NDArray[np.complex128], ...]
    noise: NDArray[np.float64]
    averages: dict[tuple[int, bytes], NDArray[np.complex128]] = field(default_factory=dict)

    def power(
        self,
        channel: int,
        electrical: NDArray[np.complex128],
        seats: NDArray[np.float64] | None = None,
    ) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """Powers (g, k) of a channel and each output's share of them (o, g, k).

        At every seat, or averaged by the weights `seats` (g, seats). `electrical`:
        (outputs of the channel, k). The shares T_o v_o have the power as the sum of
        their real parts; the derivative of the power by ln T_o is twice the real
        part of the share times that of ln T_o.
        """
        covariance = self.covariances[channel] if seats is None else self._average(channel, seats)
        coupled = np.einsum("opgk,pk->ogk", covariance, np.conj(electrical))
        shares = electrical[:, None, :] * coupled
        power = shares.sum(axis=0).real
        return np.maximum(power, 1e-30), shares

    def _average(self, channel: int, seats: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Covariances (o, o, g, k) of a channel, averaged by weights (g, seats) once for all."""
        key = channel, seats.tobytes()
        if key not in self.averages:
            self.averages[key] = np.einsum("gs,opsk->opgk", seats, self.covariances[channel])
        return self.averages[key]


def narrow_bands(low_hz: float, high_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres (k,) and edges (k, 2): 1/24 octave below 500 Hz, 1/12 above.

    They tile third-octave bands exactly (8 or 4 to a third).
    """
    low = max(low_hz, 1.0)
    fine = band_centres_hz(low, FINE_LIMIT_HZ, FINE)
    coarse = band_centres_hz(FINE_LIMIT_HZ, high_hz, COARSE)
    edges = np.concatenate([band_edges_hz(fine, FINE), band_edges_hz(coarse, COARSE)])
    return np.concatenate([fine, coarse]), edges


def energy_model(
    measured: Measured, tuning: Tuning, low_hz: float = 17.8, high_hz: float = 22.4e3
) -> EnergyModel:
    """Covariances for the routes of a tuning, over all seats."""
    top = min(high_hz, 0.49 * measured.responses.sample_rate_hz, 0.49 * tuning.sample_rate_hz)
    centres, edges = narrow_bands(low_hz, top)
    members = [_members(measured, tuning, channel.name) for channel in tuning.channels]
    pairs = _pair_covariances(measured, members, edges)
    added = (measured.noise_at(centres) * measured.band_weight(centres)[:, None]) ** 2
    kept = {o: _kept(pairs[o, p].real, added[o]) for o, p in pairs if o == p}
    pairs = {(o, p): pair * kept[o] * kept[p] for (o, p), pair in pairs.items()}
    return EnergyModel(
        tuple(channel.name for channel in tuning.channels),
        measured.outputs,
        measured.seats,
        centres,
        edges,
        tuple(members),
        tuple(_assembled(pairs, chosen, len(measured.seats), len(centres)) for chosen in members),
        measured.deviation_at(centres) ** 2,
    )


def _members(measured: Measured, tuning: Tuning, channel: str) -> NDArray[np.intp]:
    names = [route.output for route in tuning.routes if route.channel == channel]
    return np.array(sorted({measured.outputs.index(name) for name in names}), dtype=np.intp)


def _pair_covariances(
    measured: Measured, members: list[NDArray[np.intp]], edges: NDArray[np.float64]
) -> dict[tuple[int, int], NDArray[np.complex128]]:
    """Mean of H_o conj(H_p) per band for every pair o <= p that shares a channel."""
    grid, values = measured.spectrum.frequencies_hz, measured.spectrum.values
    inside = slice(
        max(int(np.searchsorted(grid, edges[0, 0])) - 1, 1),
        int(np.searchsorted(grid, edges[-1, 1])) + 1,
    )
    wanted = sorted({(o, p) for chosen in members for o in chosen for p in chosen if o <= p})
    return {
        (int(o), int(p)): mean_over_bands(
            grid[inside], values[o][:, inside] * np.conj(values[p][:, inside]), edges
        )
        for o, p in wanted
    }


def _kept(power: NDArray[np.float64], noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the magnitude (seats, k) left when the noise is taken off; half of it at least.

    The same share goes for the products with other outputs: no sum gets below zero.
    """
    return np.sqrt(np.maximum(1 - noise / np.maximum(power, 1e-300), LEAST_LEFT))


def _assembled(
    pairs: dict[tuple[int, int], NDArray[np.complex128]],
    chosen: NDArray[np.intp],
    seats: int,
    count: int,
) -> NDArray[np.complex128]:
    whole = np.zeros((len(chosen), len(chosen), seats, count), dtype=complex)
    for i, o in enumerate(chosen):
        for j, p in enumerate(chosen):
            pair = pairs[(int(min(o, p)), int(max(o, p)))]
            whole[i, j] = pair if o <= p else np.conj(pair)
    return whole
