"""What comes before the bass: usable bands, polarities, drivers joined, loudspeakers aligned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from roomtune.advisor.aims import Aims
from roomtune.advisor.alignment import arrivals_aligned, levels_aligned
from roomtune.advisor.bands import UsableBand, usable_bands
from roomtune.advisor.bass_crossover import handed_over
from roomtune.advisor.drivers import join_drivers
from roomtune.advisor.energy import energy_model
from roomtune.advisor.layout import bass_crossover_hz
from roomtune.advisor.measured import Measured
from roomtune.advisor.pinning import with_pinned_polarities
from roomtune.advisor.polarity import correct_polarities, signs
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.shared_bass import shared_bass, with_shared_gains
from roomtune.advisor.sounds import DirectSoundTable, direct_sound_table
from roomtune.advisor.starting import STARTING_BASS_HZ, starting_tuning
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System


@dataclass(frozen=True, eq=False)
class Prepared:
    """A tuning whose loudspeakers are each in order and arrive together, before any equaliser.

    bass_hz: the crossover to the subwoofers so far; arrival_ms: when everything
    arrives at the main seat; natural: outputs that their wiring asks to invert.
    """

    aims: Aims
    tuning: Tuning
    bands: tuple[UsableBand, ...]
    table: DirectSoundTable
    bass_hz: float
    arrival_ms: float
    natural: Mapping[str, bool]
    polarity_notes: tuple[Proposal, ...]
    crossover_notes: tuple[Proposal, ...]


def prepared(system: System, measured: Measured) -> Prepared:
    """Polarities, crossovers, levels and arrivals of every loudspeaker, from the textbook tuning.

    Raises ValueError when the main seat was not measured.
    """
    bass_hz = bass_crossover_hz(system, STARTING_BASS_HZ)
    tuning = starting_tuning(system, bass_hz)
    aims = Aims(system, measured, energy_model(measured, tuning))
    bands = usable_bands(aims)
    table = direct_sound_table(measured, aims.main_seat)
    tuning, polarity_notes = correct_polarities(system, measured, tuning, table)
    natural = signs(tuning)
    tuning = with_pinned_polarities(system, tuning)
    tuning, crossover_notes = join_drivers(aims, tuning, table, bands)
    tuning, bass_hz = handed_over(system, tuning, bass_hz)
    tuning, arrival_ms = arrivals_aligned(system, measured, levels_aligned(aims, tuning))
    shared = shared_bass(aims, tuning, table, bass_hz)
    return Prepared(
        aims,
        with_shared_gains(aims, tuning, shared),
        bands,
        table,
        bass_hz,
        arrival_ms,
        natural,
        tuple(p for p in polarity_notes if p.subject not in system.wishes.polarities),
        tuple(crossover_notes),
    )
