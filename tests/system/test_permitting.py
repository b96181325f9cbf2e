import pytest

from roomtune.errors import RoomtuneError
from roomtune.system.model import Wishes
from roomtune.system.permitting import permitted
from roomtune.system.reading import system_from_toml
from roomtune.system.template import new_system_toml
from roomtune.system.wishing import with_wishes

SYSTEM = system_from_toml(new_system_toml("stereo"))


def forbidding(*what):
    return permitted(SYSTEM.model_copy(update={"wishes": Wishes(forbid=what)}))


def test_nothing_forbidden_changes_nothing():
    assert permitted(SYSTEM) is SYSTEM


def test_what_is_forbidden_is_no_longer_offered():
    assert forbidding("low shelf").processor.filter_types == ("peaking", "high shelf")
    assert list(forbidding("Butterworth").processor.crossovers) == ["Linkwitz-Riley"]
    no_boost = forbidding("boost")
    assert no_boost.wishes.maximum_boost_db == 0.0
    assert no_boost.processor.filter_gain_db.maximum == 0.0
    assert forbidding("equaliser").processor.filters_per_output == 0


def test_an_unknown_thing_cannot_be_forbidden():
    with pytest.raises(RoomtuneError, match="forbid"):
        with_wishes(SYSTEM, ['forbid=["treble"]'])


def test_a_crossover_that_is_needed_cannot_be_forbidden():
    with pytest.raises(RoomtuneError, match="forbid"):
        with_wishes(SYSTEM, ['forbid=["Butterworth", "Linkwitz-Riley"]'])
