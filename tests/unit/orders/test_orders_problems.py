"""Every way to be wrong is told with its file, its line and its remedy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from midwatch.errors import InputError
from midwatch.orders.injected import FAULT_KINDS, FaultTextError, parse_fault
from midwatch.orders.models import (
    RENAMED_FAULTS,
    RENAMED_KEYS,
    InputProblem,
    NightOrders,
    OrdersError,
    Rig,
)
from midwatch.orders.reading import load_night, load_rig, load_scenario, load_site

CONFIGS = Path(__file__).parents[3] / "configs"
ORDERS = "orders/first-night.yaml"
SITE = "sites/larch-hollow.yaml"
HORIZON = "sites/larch-hollow.horizon.txt"
RIG = "rigs/harrier.yaml"


@pytest.fixture
def configs(tmp_path, monkeypatch):
    shutil.copytree(CONFIGS, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def change(file: str, old: str, new: str) -> int:
    """Replace one text of a file; returns the line, from 1, on which it began."""
    text = Path(file).read_text()
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
    Path(file).write_text(text.replace(old, new))
    return text[: text.index(old)].count("\n") + 1


def problems(**known) -> tuple[InputProblem, ...]:
    with pytest.raises(OrdersError) as caught:
        load_night(Path(ORDERS), **known)
    return caught.value.problems


def test_a_problem_reads_as_one_sentence_with_its_place(configs):
    line = change(ORDERS, "{filter: Ha, exposure_s: 600,", "{filter: Ha, exposure_s: 0,")
    with pytest.raises(InputError) as caught:
        load_night(Path(ORDERS))
    assert str(caught.value) == (
        f"orders/first-night.yaml:{line}: targets[0].frames[0].exposure_s: "
        "0 is not allowed; write seconds above 0, at most 3600"
    )
    assert caught.value.exit_code == 2


# file, what stands there, what is written instead, lines below it, field, message, hint
VALUES = [
    (ORDERS, "exposure_s: 600", "exposure_s: 600s", 0, "targets[0].frames[0].exposure_s",
     "'600s' is not a number", "seconds above 0, at most 3600"),
    (ORDERS, "exposure_s: 600", "exposure_s: true", 0, "targets[0].frames[0].exposure_s",
     "true is not allowed", "seconds above 0"),
    (ORDERS, "exposure_s: 600", "exposure_s: ", 0, "targets[0].frames[0].exposure_s",
     "nothing is written here", "write seconds above 0, at most 3600"),
    (ORDERS, "600, count: 12", "600, count: 12.5", 0, "targets[0].frames[0].count",
     "12.5 is not allowed", "a whole number from 1 to 10000"),
    (ORDERS, "frames_in_turn: true", "frames_in_turn: often", 0, "targets[1].frames_in_turn",
     "'often' is not allowed", "write true or false"),
    (ORDERS, "name: M 101", "name: M 101\n    half_turn: equl", 1, "targets[1].half_turn",
     "'equl' is not allowed", "did you mean equal? write one of equal, different"),
    (ORDERS, "name: M 101", "name: 101", 0, "targets[1].name",
     "101 is not text", "quotes: '101'"),
    (ORDERS, "name: M 101", "name: '...'", 0, "targets[1].name",
     "'...' names nothing", "letters or digits"),
    (ORDERS, "evening: 2027-03-10", "evening: 2027-02-30", 0, "evening",
     "'2027-02-30' is not a date", "2027-03-10"),
    (ORDERS, "evening: 2027-03-10", "evening: 10.3.2027", 0, "evening",
     "'10.3.2027' is not a date", "2027-03-10"),
    (ORDERS, "seed: 1", "seed:", 0, "seed",
     "nothing is written here", "a whole number, 0 or more, or remove the line"),
    (ORDERS, "seed: 1", "seed: 1\nseed: 2", 1, "seed",
     "twice, first in line", "keep one"),
    (SITE, "latitude_deg: 46.2", "latitude_deg: 146.2", 0, "latitude_deg",
     "146.2 is not allowed", "degrees from -90 to 90"),
    (SITE, "rain: true", "rain: 'yes'", 0, "safety.rain",
     "'yes' is not allowed", "true or false"),
    (SITE, "max_humidity_percent: 92", "max_humidity_percent: 920", 0,
     "safety.max_humidity_percent", "920 is not allowed", "percent from 0 to 100"),
    (RIG, "cool_to_c: -10", "cool_to_c: minus ten", 0, "camera.cool_to_c",
     "'minus ten' is not a number", "degrees Celsius from -60 to 30"),
    (RIG, "limits:\n  min", "limits: 15\nrest:\n  min", 0, "limits",
     "15 is not allowed", "a block of keys: min_altitude_deg"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "below", "field", "message", "hint"), VALUES)
def test_wrong_values(configs, file, old, new, below, field, message, hint):
    line = change(file, old, new) + below
    found = problems()[0]
    assert (str(found.file), found.line, found.field) == (file, line, field)
    assert message in found.message
    assert hint in found.hint


KEYS = [
    (ORDERS, "- when: temperature", "- wehn: temperature", "standing_orders[0].wehn",
     "did you mean when? known here: when, trip, clear, for_s, do, at"),
    (RIG, "optics:\n", "optik:\n", "optik",
     "did you mean optics? known here: name, optics, devices"),
    (SITE, "latitude_deg:", "latitude:", "latitude",
     "did you mean latitude_deg? known here: name, latitude_deg"),
    (RIG, "steps_per_um: 1.0", "colour: red", "focus.colour",
     "known here: start_position, step, exposure_s"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "field", "hint"), KEYS)
def test_unknown_keys(configs, file, old, new, field, hint):
    line = change(file, old, new)
    # A needed key that is there misspelt is told once, not also as missing.
    (found,) = problems()
    assert (str(found.file), found.line, found.field) == (file, line, field)
    assert found.message == "is not known here"
    assert found.hint.startswith(hint)


MISSING = [
    (SITE, "timezone: Europe/Vienna\n", "name: Larch", "timezone",
     'add "timezone: Europe/Vienna" to the file'),
    (RIG, "  mount:\n    driver: simulated-mount\n", "devices:", "devices.mount",
     'add "mount: {{driver: simulated-mount}}" to devices (line {line})'),
    (ORDERS, ", count: 12", "- {filter: Ha", "targets[0].frames[0].count",
     'add "count: 20" to targets[0].frames[0] (line {line})'),
]  # fmt: skip


@pytest.mark.parametrize(("file", "removed", "near", "field", "hint"), MISSING)
def test_missing_keys_come_with_an_example(configs, file, removed, near, field, hint):
    change(file, removed, "")
    line = next(n for n, text in enumerate(Path(file).read_text().splitlines(), 1) if near in text)
    (found,) = problems()
    assert (str(found.file), found.line, found.field) == (file, line, field)
    assert found.message == "is missing"
    assert found.hint == hint.format(line=line)


COORDINATES = [
    ("ra: 365\n    dec: 10", "ra", "365 is outside 0 to 360 degrees", "05h35m17s"),
    ("ra: 25:00:00\n    dec: 10", "ra", "'25:00:00' is outside 0 h to 24 h", "from 0 up to 360"),
    ("dec: -95d00m00s\n    ra: 10", "dec", "'-95d00m00s' is outside -90 to 90", "-05d23m28s"),
    ("ra: 14h03m", "ra", "is given without dec", "add dec, or leave out both"),
    ("ra: 14.05\n    dec: 54.35", "ra", "M 101 lies 70 degrees from", "degrees, not hours"),
]


@pytest.mark.parametrize(("written", "key", "message", "hint"), COORDINATES)
def test_impossible_coordinates(configs, written, key, message, hint):
    line = change(ORDERS, "name: M 101", f"name: M 101\n    {written}") + 1
    (found,) = problems()
    assert (found.line, found.field) == (line, f"targets[1].{key}")
    assert message in found.message
    assert hint in found.hint


def test_unknown_objects_get_near_names(configs):
    line = change(ORDERS, "name: M 101", "name: Pinweel Galaxy")
    (found,) = problems()
    assert (found.line, found.field) == (line, "targets[1].name")
    assert found.message == "'Pinweel Galaxy' is not in the deep-sky catalogue"
    assert found.hint.startswith("did you mean Pinwheel Galaxy or ")
    assert found.hint.endswith("add ra and dec")


def test_a_target_named_twice(configs):
    line = change(ORDERS, "name: M 101", "name: ic405")
    (found,) = problems()
    assert (found.line, found.message) == (line, "a second target called 'ic405'")


ZONES = [
    ("Europe/Viena", "did you mean Europe/Vienna?"),
    ("vienna", "did you mean Europe/Vienna?"),
    ("Quux", "write one such as Europe/Vienna or UTC"),
    ("../etc/passwd", "write one such as Europe/Vienna or UTC"),
]


@pytest.mark.parametrize(("zone", "hint"), ZONES)
def test_unknown_time_zones(configs, zone, hint):
    line = change(SITE, "timezone: Europe/Vienna", f"timezone: {zone}")
    (found,) = problems()
    assert (str(found.file), found.line, found.field) == (SITE, line, "timezone")
    assert found.message == f"'{zone}' is not in the time zone database"
    assert found.hint == hint


def test_a_lost_sign_of_the_longitude(configs):
    line = change(SITE, "longitude_deg: 13.4", "longitude_deg: -113.4")
    (found,) = problems()
    assert (found.line, found.field) == (line, "longitude_deg")
    assert found.message == "-113.4 is far from the timezone Europe/Vienna"


HORIZONS = [
    ("[[0, 1], [90, 3], [80, 3]]", 0, "[2]", "azimuth 80 comes after 90", "sort"),
    ("\n  - [0, 1]\n  - [90, 3]\n  - [90, 4]", 3, "[2]", "azimuth 90 is written here twice", "one"),
    ("\n  - [0, 1]\n  - [90, 93]", 2, "[1]", "altitude 93 is outside -5 to 90", "azimuths rising"),
    ("\n  - [0, 1]\n  - [361, 3]", 2, "[1]", "azimuth 361 is outside 0 to 360", "azimuth 0 to 360"),
    ("[[0, 1], [360, 2]]", 0, "[1]", "one direction with two altitudes", "keep one"),
    ("\n  - [0, 1, 2]", 1, "[0]", "not a pair of numbers", "[azimuth 0 to 360"),
    ("[]", 0, "", "an empty list", "[azimuth 0 to 360"),
    ("-7", 0, "", "-7 is not allowed", "degrees from -5 to 90"),
    ("{north: 3}", 0, "", "not a horizon", "a number of degrees, a path, or pairs"),
]


@pytest.mark.parametrize(("written", "below", "part", "message", "hint"), HORIZONS)
def test_impossible_horizons(configs, written, below, part, message, hint):
    line = change(SITE, "horizon: larch-hollow.horizon.txt", f"horizon: {written}") + below
    (found,) = problems()
    assert (found.line, found.field) == (line, f"horizon{part}")
    assert message in found.message
    assert hint in found.hint


@pytest.mark.parametrize(
    ("new", "message"),
    [
        ("252  thirty", "'thirty' is not a number of degrees"),
        ("252", "expected azimuth and altitude"),
        ("252  -31", "altitude -31 at azimuth 252 is outside -5 to 90"),
    ],
)
def test_an_unreadable_horizon_file(configs, new, message):
    line = change(HORIZON, "252  31", new)
    (found,) = problems()
    assert (str(found.file), found.line) == (HORIZON, line)
    assert message in found.message
    assert "degrees" in found.hint


RULES = [
    (RIG, "flip_after_min: 3", "flip_after_min: 20", "limits.flip_after_min",
     "20 is not below past_meridian_min (20)", "write less than 20 minutes"),
    (RIG, "name: Harrier", "mount: {geometry: fork}\nname: Harrier", None,
     "belongs to a German equatorial mount, and mount.geometry declares a fork mount",
     "take it out, or write mount: {geometry: german}"),
    (RIG, "name: Harrier", "mount: {hour_angle_min: 300}\nname: Harrier", "mount.hour_angle_min",
     "belongs to a fork mount", "write mount: {geometry: fork}"),
    (RIG, "name: Harrier", "mount: {geometry: frok}\nname: Harrier", "mount.geometry",
     "'frok' is no kind of mount", "german (German equatorial mount), fork (fork mount)"),
    (RIG, "step: 80 ", "step: 8000 ", None,
     "15000 leaves no room", "write at least 24080"),
    (RIG, "aperture_mm: 85\n", "aperture_mm: 850\n", "optics.aperture_mm",
     "850 is not below focal_length_mm (420)", "swapped"),
    (RIG, "calm_timeout_s: 90", "calm_timeout_s: 10", "guiding.calm_timeout_s",
     "10 is not above calm_for_s (10)", "more than 10 seconds"),
    (RIG, "name: Harrier", "name: Harrier\nbus:\n  lease_s: 15", None,
     "15 is less than two heartbeats", "at least 20 seconds"),
    (SITE, "max_gust_ms: 14", "max_gust_ms: 8", "safety.max_gust_ms",
     "8 is below max_wind_ms (9)", "write at least 9"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "field", "message", "hint"), RULES)
def test_contradicting_values(configs, file, old, new, field, message, hint):
    line = change(file, old, new)
    found = next(problem for problem in problems() if message in problem.message)
    assert hint in found.hint
    if field is not None:
        assert (found.line, found.field) == (line, field)


def test_the_flips_of_a_fork_are_found_where_they_are_written(configs):
    rig = "rigs/siskin.yaml"
    limit = change(rig, "  min_altitude_deg: 20", "  min_altitude_deg: 20\n  flip_after_min: 3")
    with pytest.raises(OrdersError) as caught:
        load_night(Path("orders/fork-night.yaml"))
    (found,) = caught.value.problems
    assert (found.line, found.field) == (limit + 1, "limits.flip_after_min")
    assert "fork mount has hour_angle_min, pole_distance_deg" in found.hint
    change(rig, "  flip_after_min: 3", "")
    focus = change(rig, "  temperature_c: 2", "  after_flip: true")
    with pytest.raises(OrdersError) as caught:
        load_night(Path("orders/fork-night.yaml"))
    (found,) = caught.value.problems
    assert (found.line, found.field) == (focus, "focus.after_flip")
    assert found.message == "a fork mount is never flipped"
    change(rig, "  after_flip: true", "")
    order = change("orders/fork-night.yaml", "trip: 2, do: focus", "trip: 2, do: flip")
    with pytest.raises(OrdersError) as caught:
        load_night(Path("orders/fork-night.yaml"))
    (found,) = caught.value.problems
    assert (found.line, found.field) == (order, "standing_orders[0].do")
    assert "fork mount is never flipped" in found.message


def test_names_are_checked_against_what_is_installed(configs):
    duty = change(ORDERS, "do: focus", "do: focsu")
    driver = change(RIG, "driver: simulated-mount", "driver: simulated-mout")
    installed = {f"simulated-{kind}" for kind in (
        "mount", "camera", "focuser", "guider", "filter-wheel", "weather", "roof", "flat-panel",
        "switch",
    )}  # fmt: skip
    found = problems(drivers=installed, duties={"focus", "wait"}, lookouts={"temperature"})
    assert [(str(p.file), p.line, p.field, p.message) for p in found] == [
        (ORDERS, duty, "standing_orders[0].do", "no duty is called 'focsu'"),
        (ORDERS, duty + 1, "standing_orders[1].when", "no lookout is called 'clouds'"),
        (RIG, driver, "devices.mount.driver", "no driver is called 'simulated-mout'"),
    ]
    assert found[0].hint == "did you mean focus? installed: focus, wait"
    assert found[1].hint == "installed: temperature"
    assert found[2].hint.startswith("did you mean simulated-mount? installed: simulated-camera,")


def test_frames_name_filters_of_the_wheel(configs):
    line = change(ORDERS, "{filter: Ha, exposure_s: 600", "{filter: OIII, exposure_s: 600")
    bare = change(ORDERS, "{filter: R, exposure_s: 300, count: 8}", "{exposure_s: 300, count: 8}")
    offset = change(RIG, "  filter_offsets: {L: 0, R: 0, G: 0, B: 12, Ha", "  filter_offsets: {Hb")
    first, second, third = problems()
    assert (first.line, first.message) == (line, "no filter is called 'OIII'")
    assert first.hint == "the wheel holds L, R, G, B, Ha"
    assert (second.line, second.message) == (bare, "does not say which filter")
    assert second.hint == 'add "filter: L" or another of L, R, G, B, Ha'
    assert (third.line, third.field) == (offset, "focus.filter_offsets.Hb")


def test_a_rig_without_a_wheel_takes_no_filter(configs):
    file = "orders/colour-night.yaml"
    line = change(file, "{exposure_s: 20,", "{filter: L, exposure_s: 20,")
    with pytest.raises(OrdersError) as caught:
        load_night(Path(file))
    (found,) = caught.value.problems
    assert (found.line, found.field) == (line, "targets[1].frames[1].filter")
    assert (found.message, found.hint) == ("the rig has no filter wheel", "leave this line out")


def test_flats_need_a_panel(configs):
    change(RIG, "  flat_panel:\n    driver: simulated-flat-panel\n", "")
    (found,) = problems()
    assert (found.field, found.message) == ("calibration.flats", "the rig has no flat panel")


def test_a_standing_order_given_twice(configs):
    line = change(
        ORDERS,
        "  - when: clouds ",
        "  - {when: temperature, trip: 1.5, do: focus}\n  - when: clouds ",
    )
    (found,) = problems()
    assert (found.line, found.field) == (line, "standing_orders[1]")
    assert found.message == f"the same order as in line {line - 3}"


def test_files_that_are_not_there_name_the_path_that_was_tried(configs):
    site = change(ORDERS, "../sites/larch-hollow.yaml", "../sites/larch-holow.yaml")
    change(ORDERS, "../rigs/harrier.yaml", "../../rigs/harrier.yaml")
    first, second = problems()
    assert (first.line, first.field) == (site, "site")
    assert first.message == "there is no file 'sites/larch-holow.yaml'"
    assert first.hint.startswith("did you mean ../sites/larch-hollow.yaml?")
    assert second.message == "there is no file '../rigs/harrier.yaml'"
    with pytest.raises(OrdersError, match=r"first-nigt\.yaml: there is no such file; did you mean"):
        load_night(Path("orders/first-nigt.yaml"))
    with pytest.raises(OrdersError, match="orders: cannot be read: Is a directory"):
        load_night(Path("orders"))
    with pytest.raises(OrdersError, match="cannot be read"):
        load_night(Path("a\0b"))


def test_a_file_that_is_no_text(configs):
    Path(RIG).write_bytes(b"name: x\nfocus: \xff\n")
    (found,) = problems()
    assert (str(found.file), found.line, found.message) == (RIG, 2, "not UTF-8 text")
    Path(RIG).write_bytes(b"# \n" * 300_000)
    (found,) = problems()
    assert found.message == "the file is larger than 512 KiB"


def test_a_file_that_is_a_list(configs):
    Path(SITE).write_text("- name\n- place\n")
    (found,) = problems()
    assert found.message == "the file is a list, not a block of keys"
    assert found.hint.startswith("write a block of keys: name, latitude_deg")


@pytest.mark.parametrize(
    ("key", "path", "message"),
    [
        ("site: ../sites/larch-hollow.yaml", "site: ../rigs/wren.yaml",
         "rigs/wren.yaml: this is a rig file, not a site file; check the path"),
        ("rig: ../rigs/harrier.yaml", "rig: ../sites/dry-creek.yaml",
         "sites/dry-creek.yaml: this is a site file, not a rig file; check the path"),
        ("rig: ../rigs/harrier.yaml", "rig: first-night.yaml",
         "orders/first-night.yaml: this is a file of night orders, not a rig file; check the path"),
    ],
)  # fmt: skip
def test_a_file_of_another_kind_is_reported_once(configs, key, path, message):
    change(ORDERS, key, path)
    assert [str(problem) for problem in problems()] == [message]


def test_a_misspelt_wheel_is_reported_once(configs):
    line = change(RIG, "  filter_wheel:\n", "  filterwheel:\n")
    (found,) = problems()
    assert (found.line, found.field) == (line, "devices.filterwheel")
    assert found.hint.startswith("did you mean filter_wheel?")


def test_all_problems_of_all_files_come_together_in_order(configs):
    green = "{filter: G, exposure_s: 300, count: 8}"
    lines = [
        (RIG, change(RIG, "gain: 100", "gain: lots")),
        (RIG, change(RIG, "driver: simulated-roof", "drivre: simulated-roof")),
        (SITE, change(SITE, "latitude_deg: 46.2", "latitude_deg: 146.2")),
        (ORDERS, change(ORDERS, "600, count: 12", "600, count: 0")),
        (ORDERS, change(ORDERS, green, green.replace("G", "X"))),
        (HORIZON, change(HORIZON, "252  31", "252  x")),
    ]  # fmt: skip
    found = [(str(problem.file), problem.line) for problem in problems()]
    assert sorted(found) == sorted(lines)
    assert [file for file, _ in found] == [ORDERS, ORDERS, SITE, HORIZON, RIG, RIG]
    assert found == [*sorted(found[:2]), *found[2:4], *sorted(found[4:])]


def test_site_and_rig_alone(configs):
    change(SITE, "elevation_m: 1200", "elevation_m: 12000")
    change(RIG, "gain: 100", "gain: -1")
    with pytest.raises(OrdersError, match="elevation_m: 12000 is not allowed; write metres from"):
        load_site(Path(SITE))
    with pytest.raises(OrdersError, match=r"camera\.gain: -1 is not allowed; write a whole number"):
        load_rig(Path(RIG))


CENTRING = [
    ("filter: Lum", "filter", "no filter is called 'Lum'", "the wheel holds L, R, G, B, Ha"),
    ("index_folder: /no/such/place", "index_folder", "there is no folder", "leave the line out"),
]


@pytest.mark.parametrize(("written", "key", "message", "hint"), CENTRING)
def test_centring_names_what_is_there(configs, written, key, message, hint):
    line = change(RIG, "centring:\n", f"centring:\n  {written}\n") + 1
    (found,) = problems()
    assert (str(found.file), found.line, found.field) == (RIG, line, f"centring.{key}")
    assert message in found.message
    assert hint in found.hint


# file, what is written, the old words instead, lines below it, field, today's words
OLD_WORDS = [
    (RIG, "calm_within_arcsec: 1.5", "settle_arcsec: 1.5", 0, "guiding.settle_arcsec",
     "write calm_within_arcsec: 1.5"),
    (RIG, "calm_for_s: 10", "settle_hold_s: 10", 0, "guiding.settle_hold_s",
     "write calm_for_s: 10"),
    (RIG, "calm_timeout_s: 90", "settle_timeout_s: 90", 0, "guiding.settle_timeout_s",
     "write calm_timeout_s: 90"),
    (RIG, "simulated-guider", "midwatch-guider\n    options:\n      dec_mode: one_way", 2,
     "devices.guider.options.dec_mode", "write declination_corrections: against_drift"),
    (ORDERS, "frames_in_turn: true", "order: rotate", 0, "targets[1].order",
     "write frames_in_turn: true"),
    (ORDERS, "frames_in_turn: true", "order: in_sequence", 0, "targets[1].order",
     "write frames_in_turn: false"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "now", "old", "below", "field", "hint"), OLD_WORDS)
def test_a_word_of_an_earlier_version_is_answered_with_that_of_today(
    configs, file, now, old, below, field, hint
):
    line = change(file, now, old) + below
    (found,) = problems()
    assert (str(found.file), found.line, found.field) == (file, line, field)
    assert found.message.endswith("has another name today")
    assert found.hint == hint


def test_today_s_words_are_among_the_settings_of_today():
    models = {"rig": Rig, "orders": NightOrders}
    for old in RENAMED_KEYS:
        if "options" in old.path:
            continue  # a driver's own, see the test above
        fields = str(models[old.file].model_json_schema())
        assert f"'{old.key}'" in fields
        assert f"'{old.path[-1]}'" not in fields
    assert set(RENAMED_FAULTS.values()) <= set(FAULT_KINDS)
    assert not RENAMED_FAULTS.keys() & set(FAULT_KINDS)


def test_a_fault_of_an_earlier_name_is_answered_with_that_of_today(tmp_path):
    file = tmp_path / "faults.yaml"
    file.write_text("faults:\n  - {fault: guide-oscillation, at: '22:00', lasts: 5m}\n")
    with pytest.raises(OrdersError) as caught:
        load_scenario(file)
    (found,) = caught.value.problems
    assert (found.line, found.field) == (2, "faults[0].fault")
    assert "write guide-overcorrection" in str(found)
    with pytest.raises(FaultTextError, match="write guide-overcorrection"):
        parse_fault("guide-oscillation@22:00+5m")
