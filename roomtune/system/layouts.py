"""Channel layouts by name (ITU-R BS.775 and BS.2051), in the usual order of delivery."""

from __future__ import annotations

from typing import NamedTuple


class Place(NamedTuple):
    """A channel, the loudspeaker for it, and whether that stands in front."""

    channel: str
    loudspeaker: str
    front: bool = False


_LEFT, _RIGHT = Place("L", "left", True), Place("R", "right", True)
_CENTRE, _EFFECTS = Place("C", "centre", True), Place("LFE", "")
_SURROUNDS = (Place("Ls", "left surround"), Place("Rs", "right surround"))
_SIDES = (Place("Lss", "left side"), Place("Rss", "right side"))
_REARS = (Place("Lrs", "left rear"), Place("Rrs", "right rear"))

LAYOUTS: dict[str, tuple[Place, ...]] = {
    "stereo": (_LEFT, _RIGHT),
    "2.1": (_LEFT, _RIGHT, _EFFECTS),
    "3.1": (_LEFT, _RIGHT, _CENTRE, _EFFECTS),
    "5.0": (_LEFT, _RIGHT, _CENTRE, *_SURROUNDS),
    "5.1": (_LEFT, _RIGHT, _CENTRE, _EFFECTS, *_SURROUNDS),
    "7.1": (_LEFT, _RIGHT, _CENTRE, _EFFECTS, *_SIDES, *_REARS),
}
