from __future__ import annotations

import itertools

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from midwatch.bus import TopicKind, Topics, parse, slug
from midwatch.bus.patterns import matches, overlap
from midwatch.bus.topics import ParsedTopic

TOPICS = Topics("Dark Hill", "Rig No. 1")


def test_every_topic_is_found_again_by_parse() -> None:
    expected = {
        TOPICS.online("Main Camera"): (TopicKind.ONLINE, "main-camera", ""),
        TOPICS.about("mount"): (TopicKind.ABOUT, "mount", ""),
        TOPICS.state("mount"): (TopicKind.STATE, "mount", ""),
        TOPICS.do("mount", "slew"): (TopicKind.DO, "mount", "slew"),
        TOPICS.event("mount", "limit_reached"): (TopicKind.EVENT, "mount", "limit_reached"),
        TOPICS.reply("Daemon"): (TopicKind.REPLY, "", "daemon"),
        TOPICS.night_state: (TopicKind.NIGHT_STATE, "", ""),
        TOPICS.night_decision: (TopicKind.NIGHT_DECISION, "", ""),
        TOPICS.night_event("dusk"): (TopicKind.NIGHT_EVENT, "", "dusk"),
        TOPICS.night_lease: (TopicKind.NIGHT_LEASE, "", ""),
    }
    assert len(expected) == len(TopicKind)
    for topic, (kind, device, name) in expected.items():
        assert topic.startswith("midwatch/dark-hill/rig-no-1/")
        assert parse(topic) == ParsedTopic("dark-hill", "rig-no-1", kind, device, name)


@pytest.mark.parametrize(
    "topic",
    [
        "", "midwatch", "midwatch/a/b", "midwatch/a/b/c", "midwatch/a/b/c/d", "x/a/b/c/state",
        "midwatch/a/b/c/do", "midwatch/a/b/c/state/x", "midwatch/a/b/c/do/x/y",
        "midwatch/a/b//state",
        "midwatch/a/b/+/state", "midwatch/a/b/#", "midwatch/a/b/night/online", "midwatch/a/b/reply",
        "midwatch/a/b/reply/x/y", "midwatch/a/b/night/do/x",
    ],
)  # fmt: skip
def test_foreign_topics_are_not_parsed(topic: str) -> None:
    assert parse(topic) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Main Camera", "main-camera"), ("filter_wheel", "filter_wheel"), ("  a / + # b ", "a-b"),
        ("Çam 1", "çam-1"), ("\uff32\uff29\uff27", "rig"), ("--x--", "x"),
    ],
)  # fmt: skip
def test_slugs(text: str, expected: str) -> None:
    assert slug(text) == expected


@pytest.mark.parametrize("text", ["", "  ", "///", "+", "_", "\0"])
def test_nothing_left_to_name(text: str) -> None:
    with pytest.raises(ValueError, match="no letter or digit"):
        slug(text)


@given(st.text(max_size=30))
def test_a_slug_is_one_safe_level_and_its_own_slug(text: str) -> None:
    try:
        level = slug(text)
    except ValueError:
        return
    assert slug(level) == level
    assert not set(level) & set("/+#\0 ")


@pytest.mark.parametrize("device", ["night", "Reply"])
def test_reserved_names_are_refused(device: str) -> None:
    with pytest.raises(ValueError, match="reserved"):
        TOPICS.state(device)


def test_reply_topics_are_those_of_this_rig() -> None:
    assert TOPICS.is_reply(TOPICS.reply("daemon"))
    assert not TOPICS.is_reply(Topics("dark-hill", "other").reply("daemon"))
    assert not TOPICS.is_reply(TOPICS.do("roof", "open"))


LEVELS = ["a", "b", ""]
UNIVERSE = [
    "/".join(levels)
    for depth in (1, 2, 3, 4)
    for levels in itertools.product(LEVELS, repeat=depth)
    if "/".join(levels)
]
FILTERS = (
    st.lists(st.sampled_from(["a", "b", "", "+"]), min_size=1, max_size=3)
    .flatmap(lambda levels: st.sampled_from(["/".join(levels), "/".join([*levels, "#"]), "#"]))
    .filter(bool)
)


@settings(max_examples=100, deadline=None)
@given(FILTERS, FILTERS)
@example("/#", "+")
def test_filters_overlap_exactly_if_some_topic_matches_both(first: str, second: str) -> None:
    common = any(matches(first, topic) and matches(second, topic) for topic in UNIVERSE)
    assert overlap(first, second) == common


# MQTT 3.1.1 (OASIS 2014), 4.7.2: leading wildcards take in no topic that begins with $.
@pytest.mark.parametrize(
    ("pattern", "expected"),
    [("#", False), ("+/load", False), ("$SYS/#", True), ("$SYS/+", True)],
)
def test_topics_of_the_broker_itself_hide_from_wildcards(pattern: str, expected: bool) -> None:
    assert matches(pattern, "$SYS/load") is expected
