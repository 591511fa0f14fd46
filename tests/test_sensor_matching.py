"""Which device is taken for which sensor, and when none is."""

import pytest

from recorder.sensor_matching import Ambiguous, Candidate, SensorMatcher, SensorTarget

ONE, TWO, THREE = "F0:00:00:00:00:01", "F0:00:00:00:00:02", "F0:00:00:00:00:03"


def matcher(*targets: SensorTarget) -> SensorMatcher:
    return SensorMatcher(targets, settle_s=3.0, fresh_s=8.0)


def test_a_target_needs_something_to_be_found_by() -> None:
    with pytest.raises(ValueError):
        SensorTarget("Alder")


def test_an_address_decides_alone_and_letters_have_no_case() -> None:
    bench = matcher(SensorTarget("Alder", address=ONE.lower(), match_name="other"))
    bench.observe(TWO, "other", True, 0.0)
    assert bench.match("Alder", 0.1) is None
    bench.observe(ONE, None, False, 1.0)
    assert bench.match("Alder", 1.1) == Candidate(ONE, 1.0)


def test_a_sighting_serves_once_and_not_for_long() -> None:
    bench = matcher(SensorTarget("Alder", address=ONE))
    bench.observe(ONE, None, True, 0.0)
    assert bench.match("Alder", 8.0) is None
    bench.observe(ONE, None, True, 10.0)
    bench.used(ONE)
    assert bench.match("Alder", 10.1) is None


def test_a_name_must_stay_the_only_one_for_a_while() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"))
    bench.observe(ONE, None, True, 0.0)
    bench.observe(ONE, "ALDER", True, 1.0)
    assert bench.match("Alder", 2.9) is None
    assert bench.match("Alder", 3.0) == Candidate(ONE, 1.0)


def test_two_bearers_of_a_name_are_never_taken_even_when_one_leaves() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"))
    bench.observe(ONE, "ALDER", True, 0.0)
    bench.observe(TWO, "ALDER", True, 2.0)
    bench.observe(ONE, "ALDER", True, 600.0)
    found = bench.match("Alder", 600.1)
    assert isinstance(found, Ambiguous)
    assert ONE in found.words
    assert TWO in found.words


def test_a_twin_that_comes_later_does_not_disturb_the_one_already_known() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"))
    bench.bind("Alder", ONE, None)
    bench.observe(TWO, "ALDER", True, 0.0)
    assert bench.match("Alder", 5.0) is None
    bench.observe(ONE, "ALDER", True, 6.0)
    assert bench.match("Alder", 6.1) == Candidate(ONE, 6.0)


def test_a_known_sensor_with_a_new_address_must_show_its_serial() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"))
    bench.bind("Alder", ONE, "0042")
    bench.observe(TWO, "ALDER", True, 0.0)
    assert bench.match("Alder", 0.1) == Candidate(TWO, 0.0, "0042")


def test_candidates_with_another_serial_are_passed_over() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER", match_serial="0042"))
    bench.observe(ONE, "ALDER", True, 0.0)
    bench.observe(TWO, "ALDER", True, 0.0)
    bench.observe(THREE, "BIRCH", True, 0.0)
    assert bench.match("Alder", 0.1) == Candidate(ONE, 0.0, "0042")
    bench.reject("Alder", ONE)
    assert bench.match("Alder", 0.1) == Candidate(TWO, 0.0, "0042")
    bench.reject("Alder", TWO)
    assert bench.match("Alder", 0.1) is None


def test_a_serial_alone_is_looked_for_among_devices_that_measure() -> None:
    bench = matcher(SensorTarget("Alder", match_serial="0042"))
    bench.observe(ONE, "headphones", False, 0.0)
    assert bench.match("Alder", 0.1) is None
    bench.observe(TWO, None, True, 0.0)
    assert bench.match("Alder", 0.1) == Candidate(TWO, 0.0, "0042")


def test_devices_that_cannot_be_ours_are_not_remembered() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"), SensorTarget("Birch", address=TWO))
    assert not bench.observe(ONE, "headphones", False, 0.0)
    assert bench.observe(ONE, "ALDER", False, 1.0)
    assert bench.observe(TWO, None, False, 1.0)
    assert bench.observe(THREE, None, True, 1.0)


def test_what_belongs_to_another_sensor_is_no_candidate() -> None:
    bench = matcher(SensorTarget("Alder", match_name="TWIN"), SensorTarget("Birch", address=TWO))
    bench.observe(ONE, "TWIN", True, 0.0)
    bench.observe(TWO, "TWIN", True, 0.0)
    assert bench.match("Alder", 3.0) == Candidate(ONE, 0.0)


def test_a_serial_beside_an_address_must_agree() -> None:
    bench = matcher(SensorTarget("Alder", address=ONE, match_serial="0042"))
    bench.observe(ONE, None, True, 0.0)
    assert bench.match("Alder", 0.1) == Candidate(ONE, 0.0, "0042")


def test_a_sensor_that_has_told_its_serial_is_asked_for_it_again() -> None:
    bench = matcher(SensorTarget("Alder", address=ONE), SensorTarget("Birch", match_name="BIRCH"))
    bench.bind("Alder", ONE, "0001")
    bench.bind("Birch", TWO, "0002")
    bench.observe(ONE, None, True, 0.0)
    bench.observe(TWO, "BIRCH", True, 0.0)
    assert bench.match("Alder", 1.0) == Candidate(ONE, 0.0, "0001", stated=False)
    assert bench.match("Birch", 1.0) == Candidate(TWO, 0.0, "0002", stated=False)


def test_two_that_have_exchanged_their_addresses_find_each_other_by_serial() -> None:
    bench = matcher(SensorTarget("Alder", match_name="ALDER"), SensorTarget("Birch", match_name="BIRCH"))
    bench.bind("Alder", ONE, "0001")
    bench.bind("Birch", TWO, "0002")
    bench.observe(ONE, "BIRCH", True, 0.0)
    bench.observe(TWO, "ALDER", True, 0.0)
    bench.reject("Alder", ONE)
    bench.reject("Birch", TWO)
    assert bench.match("Alder", 1.0) == Candidate(TWO, 0.0, "0001")
    assert bench.match("Birch", 1.0) == Candidate(ONE, 0.0, "0002")


def test_the_serials_of_all_others_are_known_whichever_way_the_bench_file_gives_them() -> None:
    bench = matcher(
        SensorTarget("Alder", address=ONE, expected_serial="0001"),
        SensorTarget("Birch", match_serial="0002"),
        SensorTarget("Cedar", address=THREE),
    )
    assert bench.serials_of_others("Alder") == {"0002": "Birch"}
    assert bench.serials_of_others("Cedar") == {"0001": "Alder", "0002": "Birch"}
