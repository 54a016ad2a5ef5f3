"""Data folders: the nights in them, what each night keeps of site and rig, what they taught."""

from midwatch.runtime.folder.earlier_rehearsal import make_room
from midwatch.runtime.folder.kept_nights import JOURNAL_NAME, KeptNight, find_night
from midwatch.runtime.folder.learned_facts import Learnings, learnings_of, sky_content, sky_text
from midwatch.runtime.folder.surroundings import Surroundings

__all__ = [
    "JOURNAL_NAME", "KeptNight", "Learnings", "Surroundings", "find_night", "learnings_of",
    "make_room", "sky_content", "sky_text",
]  # fmt: skip
