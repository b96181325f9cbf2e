"""What the user forbids, taken out of what the advice may use."""

from __future__ import annotations

from roomtune.system.model import System


def permitted(system: System) -> System:
    """The system as if it did not have what its wishes forbid.

    A filter type or crossover family is no longer offered, "boost" leaves cuts
    only, "equaliser" leaves no sections and no taps at all.
    """
    forbidden = set(system.wishes.forbid)
    if not forbidden:
        return system
    processor = system.processor
    families = {k: v for k, v in processor.crossovers.items() if k not in forbidden}
    changes: dict[str, object] = {
        "filter_types": tuple(t for t in processor.filter_types if t not in forbidden),
        "crossovers": families,
    }
    wishes = system.wishes
    if "boost" in forbidden:
        most = min(processor.filter_gain_db.maximum, 0.0)
        knob = processor.filter_gain_db.model_copy(update={"maximum": most})
        changes["filter_gain_db"] = knob
        wishes = wishes.model_copy(update={"maximum_boost_db": 0.0})
    if "FIR" in forbidden:
        changes["fir_taps_per_output"] = 0
    if "equaliser" in forbidden:
        keys = ("filters_per_channel", "filters_per_output", "fir_taps_per_output")
        changes |= dict.fromkeys(keys, 0)
    return system.model_copy(
        update={"processor": processor.model_copy(update=changes), "wishes": wishes}
    )
