"""One invented night, told event by event, with real files: what the journal's tests read.

The sky is the real one over an invented site, so that windows, horizon and flips agree with each
other as they do in a night of the daemon.
"""

import atexit
import hashlib
import shutil
import struct
import tempfile
import zlib
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from midwatch.imaging.files import write_fits
from midwatch.journal.facts import night_facts as e
from midwatch.journal.promises import NightContext
from midwatch.journal.store import Event, Journal
from midwatch.sky import Fixed, Horizon, MountLimits, Observer, Place, night_events, visible_windows
from midwatch.sky.mounts.german import GermanEquatorial

NIGHT = "2027-03-10"
HORIZON = Horizon.from_pairs(
    [(0, 12), (60, 10), (120, 8), (180, 9), (220, 16), (245, 31), (270, 34), (300, 27), (330, 15)]
)
OBSERVER = Observer(Place(46.2, 13.6, 1180.0))
PAST_MERIDIAN_DEG = 5.0
CONTEXT = NightContext(
    observer=OBSERVER,
    horizon=HORIZON,
    limits=MountLimits(
        horizon=HORIZON.raised(1.0),
        min_alt_deg=15.0,
        geometry=GermanEquatorial(PAST_MERIDIAN_DEG, 2.5),
        sun_min_sep_deg=40.0,
    ),
    timezone="Europe/Ljubljana",
)
TARGETS = {"NGC 2237": (97.98, 4.95), "M 3": (205.548, 28.377)}
OPENED_UTC_S = 1804700000.0
FILTERS = ("L", "R", "G", "B")


class StoryClock:
    """A clock that stands until it is told to move."""

    virtual = True

    def __init__(self, utc_s: float) -> None:
        self.utc_s = utc_s

    def unix_s(self) -> float:
        return self.utc_s

    def now(self) -> datetime:
        return datetime.fromtimestamp(0, UTC) + timedelta(seconds=self.utc_s)

    def mono(self) -> float:
        return self.utc_s


@dataclass
class Story:
    """Tells events to a journal; `folder` holds the frames' files."""

    journal: Journal
    clock: StoryClock
    folder: Path
    frames: int = 0
    position: int = 8240
    hfr: float = 2.1
    random: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))

    def inform(self, fact: e.Fact, after_s: float = 0.0) -> None:
        self.clock.utc_s += after_s
        self.journal.append(fact)

    def duty(
        self, name: str, cause: str, took_s: float, reason: str, outcome: str = "done"
    ) -> None:
        self.begin(name, cause, reason)
        self.inform(e.DutyEnded(duty=name, outcome=outcome, took_s=took_s), took_s)

    def begin(self, name: str, cause: str, reason: str, detail: str | None = None) -> None:
        self.inform(
            e.DecisionMade(
                duty=name,
                args={},
                rule="next_frame",
                reason=reason,
                ruled_out=(("wait", "there is something to do"),),
            )
        )
        self.inform(e.Activity(cause=cause, detail=detail))
        self.inform(e.DutyBegan(duty=name, args={}))

    def focus(self, trigger: str, *, ok: bool = True) -> None:
        self.begin("focus", "focusing", f"focus is due: {trigger}")
        best = self.position + int(self.random.integers(-25, 25))
        around = tuple(best + 40 * step for step in range(-4, 5))
        noise = self.random.normal(1.0, 0.02 if ok else 0.4, len(around))
        sizes = np.sqrt(self.hfr**2 + (np.array(around) - best) ** 2 * 0.0004) * noise
        self.inform(
            e.FocusRun(
                positions=around,
                hfr_px=tuple(np.abs(sizes).tolist()),
                filter="L",
                temperature_c=self.air_c(),
                ok=ok,
                reason="the curve fits" if ok else "the samples follow no curve",
                trigger=trigger,
                best_position=best if ok else None,
                uncertainty_steps=3.5 if ok else None,
                best_hfr_px=self.hfr if ok else None,
            ),
            175.0,
        )
        self.position = best if ok else self.position
        self.inform(e.DutyEnded(duty="focus", outcome="done" if ok else "failed", took_s=175.0))

    def air_c(self) -> float:
        return 6.0 - 8.0 * (self.clock.utc_s - OPENED_UTC_S) / 43200

    def go_to(self, target: str) -> None:
        self.duty("slew", "slewing", 46.0, f"{target} is the best target now")
        self.moved("slew", target)
        self.begin("centre", "centring", f"{target} must be centred")
        self.inform(
            e.Centred(
                target=target,
                ok=True,
                attempts=2,
                error_arcsec=12.3,
                rotation_deg=1.2,
                scale_arcsec=2.65,
            ),
            38.0,
        )
        self.inform(e.DutyEnded(duty="centre", outcome="done", took_s=38.0))
        self.guide()

    def guide(self) -> None:
        self.begin("guide", "guiding", "guiding is off")
        self.inform(e.GuidingStarted(ok=True, rms_arcsec=0.8), 25.0)
        self.inform(e.DutyEnded(duty="guide", outcome="done", took_s=25.0))

    def moved(self, what: str, target: str, side: str | None = None) -> None:
        ra, dec = TARGETS[target]
        at = self.clock.utc_s
        alt, az = OBSERVER.altaz(ra, dec, at)
        ha = float(OBSERVER.hour_angle_deg(ra, dec, at))
        self.inform(
            e.MotionEnded(
                what=what,
                alt_deg=float(alt),
                horizon_deg=max(15.0, HORIZON.altitude_at(float(az)) + 1.0),
                hour_angle_deg=ha,
                pier_side=side or ("west" if ha < 0 else "east"),
                sun_distance_deg=None,
                within_limits=True,
            )
        )

    def park(self) -> None:
        self.duty("park", "closing", 40.0, "nothing is left to do")
        self.inform(
            e.MotionEnded(
                what="park",
                alt_deg=46.2,
                horizon_deg=12.0,
                hour_angle_deg=0.0,
                pier_side="west",
                sun_distance_deg=None,
                within_limits=True,
            )
        )

    def light(self, target: str, index: int, exposure_s: float, **measured: object) -> str:
        name = FILTERS[index]
        self.begin("expose", "open_shutter", f"next frame of {target}", f"{target}, {name}")
        began = self.clock.utc_s + 0.4
        frame_id = self.expose("light", target, index, name, exposure_s)
        self.inform(e.Activity(cause="read_out"))
        self.read_and_file(frame_id, f"frames/{target}/{frame_id}.fits", began, exposure_s)
        alt = float(OBSERVER.altaz(*TARGETS[target], began).alt_deg)
        facts = {
            "grade": "accepted",
            "stars": 240,
            "hfr_px": self.hfr * float(self.random.normal(1.05, 0.03)),
            "fwhm_arcsec": 3.1,
            "elongation": float(self.random.normal(1.12, 0.03)),
            "background_adu": 940.0,
            "guide_rms_arcsec": float(self.random.normal(0.85, 0.1)),
            "guided": True,
            "altitude_deg": alt,
            "focus_position": self.position,
            "sensor_c": -10.0,
            "offset_arcsec": 6.0,
        }
        self.inform(e.FrameGraded(exposure_id=frame_id, **(facts | measured)))
        self.inform(e.DutyEnded(duty="expose", outcome="done", took_s=exposure_s + 3.4))
        self.inform(
            e.Sample(
                air_c=self.air_c(),
                sensor_c=-10.0,
                cloud_percent=8.0,
                wind_ms=1.8,
                guide_rms_ra_arcsec=float(self.random.normal(0.6, 0.1)),
                guide_rms_dec_arcsec=float(self.random.normal(0.5, 0.1)),
                focus_position=self.position,
                altitude_deg=alt,
            )
        )
        return frame_id

    def expose(
        self, frame: str, target: str | None, index: int | None, name: str | None, exposure_s: float
    ) -> str:
        self.frames += 1
        frame_id = f"{NIGHT}-{self.frames:04d}"
        self.inform(
            e.FrameBegun(
                exposure_id=frame_id,
                frame=frame,
                target=target,
                order_index=index,
                filter=name,
                exposure_s=exposure_s,
                gain=100,
                offset=20,
                binning=1,
            )
        )
        self.clock.utc_s += exposure_s + 0.4
        return frame_id

    def read_and_file(self, frame_id: str, path: str, began: float, exposure_s: float) -> None:
        data = self.random.integers(900, 1000, (24, 32), dtype=np.uint16)
        self.inform(
            e.FrameRead(
                exposure_id=frame_id,
                sha256=hashlib.sha256(data.tobytes()).hexdigest(),
                began_utc_s=began,
                exposure_s=exposure_s,
            ),
            3.0,
        )
        file = self.folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        facts = write_fits(file, data, [("OBJECT", "story", "")], durable=False)
        preview = f"previews/{frame_id}.png" if path.startswith("frames") else None
        if preview:
            (self.folder / "previews").mkdir(exist_ok=True)
            (self.folder / preview).write_bytes(star_picture(self.frames % 6))
        self.inform(
            e.FrameFiled(
                exposure_id=frame_id,
                path=path,
                file_sha256=facts.sha256,
                bytes=facts.size_bytes,
                preview=preview,
            )
        )

    def calibrate(self, frame: str, count: int, exposure_s: float) -> None:
        self.begin("calibrate", "calibrating", f"{count} {frame} frames are ordered")
        for _ in range(count):
            began = self.clock.utc_s
            frame_id = self.expose(frame, None, None, None, exposure_s)
            self.read_and_file(frame_id, f"calibration/{frame_id}.fits", began, exposure_s)
        self.inform(e.DutyEnded(duty="calibrate", outcome="done", took_s=count * exposure_s))


def tell_night(path: Path, folder: Path) -> tuple[Journal, StoryClock]:
    """Tell the whole night: two targets, a flip, a cloud bank, a fault, a restart, darks."""
    dusk, dawn = (float(round(edge)) for edge in _dark())
    clock = StoryClock(dusk - 2400.0)
    journal = Journal.open(path, clock, durable=False)
    journal.begin_night(NIGHT)
    story = Story(journal, clock, folder)
    took_up = began(dusk, dawn)
    story.inform(took_up)
    for priority, (target, (ra, dec)) in enumerate(TARGETS.items(), start=1):
        story.inform(_planned(target, ra, dec, priority, dusk, dawn))
    story.duty("prepare", "preparing", 600.0, "the devices must be connected and cold")
    story.duty("open_roof", "opening", 30.0, "it is safe")
    story.focus("start of the night")
    story.inform(e.Activity(cause="waiting_for_target", detail="dusk"))
    clock.utc_s = dusk + 2.0
    first, second = TARGETS
    first_ends = _windows(*TARGETS[first], dusk, dawn)[0].end_utc_s
    story.go_to(first)
    _first_target(story, first, first_ends)
    _interruptions(story, took_up, second)
    _second_target(story, second, dawn)
    story.park()
    story.duty("close_roof", "closing", 28.0, "the night is over")
    story.calibrate("dark", 5, 60.0)
    story.calibrate("bias", 5, 0.0)
    story.duty("warm", "closing", 420.0, "the camera must be warm")
    story.inform(
        e.NightEnded(how="dawn: every dark minute was used", parked=True, warm=True, closed=True)
    )
    return journal, clock


def _first_target(story: Story, target: str, ends: float) -> None:
    shot = 0
    while story.clock.utc_s + 320.0 < ends:
        if shot and shot % 2 == 0:
            story.begin("dither", "dithering", "two frames since the last dither")
            story.inform(e.Dithered(east_arcsec=6.0, north_arcsec=-4.0, settle_s=14.0), 14.0)
            story.inform(e.DutyEnded(duty="dither", outcome="done", took_s=14.0))
        if shot in (12, 24):
            story.focus("the air cooled by 1.6 C")
        if shot == 17:
            story.light(target, 0, 240.0, grade="rejected", reasons=("stars elongated: 1.62",),
                        elongation=1.62)  # fmt: skip
        else:
            story.light(target, shot % 4, 240.0)
        shot += 1


def _interruptions(story: Story, took_up: e.NightBegan, second: str) -> None:
    """Clouds, a focuser that falls silent, and a daemon that is killed."""
    story.inform(
        e.LookoutChanged(lookout="clouds", status="tripped", level=82, message="cloud 82 %")
    )
    story.inform(e.Activity(cause="clouds", detail="cloud 82 %"))
    story.inform(
        e.LookoutChanged(lookout="clouds", status="clear", level=10, message="cloud 10 %"), 1500.0
    )
    story.inform(e.Activity(cause="fault", detail="focuser is silent"))
    story.inform(
        e.FaultBegan(fault_id="f-1", device="focuser", fault="silent", message="no state for 34 s")
    )
    for attempt, outcome in enumerate(("failed", "done"), start=1):
        story.duty("reconnect", "fault", 45.0, "the focuser is silent", outcome)
        story.inform(
            e.RemedyTried(
                fault_id="f-1", remedy="reconnect", attempt=attempt, outcome=outcome, reason=None
            )
        )
    story.inform(e.FaultEnded(fault_id="f-1", how="its state came again"), 5.0)
    story.begin("slew", "slewing", f"{second} is the best target now")
    story.clock.utc_s += 95.0
    story.inform(took_up.model_copy(update={"resumed": True}))


def _second_target(story: Story, target: str, dawn: float) -> None:
    story.go_to(target)
    story.focus("a new target", ok=False)
    story.focus("the last run failed")
    shot = 0
    flipped = False
    while story.clock.utc_s + 320.0 < dawn:
        ahead = float(OBSERVER.hour_angle_deg(*TARGETS[target], story.clock.utc_s + 320.0))
        if not flipped and ahead > PAST_MERIDIAN_DEG:
            _flip(story, target)
            flipped = True
        bad = shot == 9
        story.light(
            target,
            shot % 4,
            300.0,
            grade="doubtful" if bad else "accepted",
            reasons=("few stars: 96, baseline 240",) if bad else (),
        )
        shot += 1


def _flip(story: Story, target: str) -> None:
    while (ha := float(OBSERVER.hour_angle_deg(*TARGETS[target], story.clock.utc_s))) < 0.75:
        story.inform(e.Activity(cause="waiting_for_meridian"))
        story.clock.utc_s += 60.0
    story.moved("tracking", target, "west")
    story.begin("flip", "flipping", f"{target} has crossed the meridian")
    story.inform(
        e.Flipped(target=target, ok=True, hour_angle_deg=ha, from_side="west", to_side="east"), 95.0
    )
    story.inform(e.DutyEnded(duty="flip", outcome="done", took_s=95.0))
    story.moved("flip", target, "east")
    story.guide()


def _dark() -> tuple[float, float]:
    night = night_events(OBSERVER, date(2027, 3, 10), CONTEXT.timezone)
    assert night.astronomical_dusk_utc_s is not None
    assert night.astronomical_dawn_utc_s is not None
    return night.astronomical_dusk_utc_s, night.astronomical_dawn_utc_s


def _windows(ra: float, dec: float, dusk: float, dawn: float):
    return visible_windows(OBSERVER, Fixed(ra, dec), dusk, dawn, HORIZON.raised(1.0), 15.0)


def began(dusk: float, dawn: float) -> e.NightBegan:
    return e.NightBegan(
        night=NIGHT,
        site="Larch Hollow",
        rig="Harrier",
        evening=NIGHT,
        seed=1,
        rehearsal=True,
        sky_mode="pixels",
        dusk_utc_s=dusk,
        dawn_utc_s=dawn,
        orders_sha256="0" * 64,
        version="0.1.0",
    )


def _planned(
    target: str, ra: float, dec: float, priority: int, dusk: float, dawn: float
) -> e.TargetPlanned:
    exposure_s = 240.0 if priority == 1 else 300.0
    return e.TargetPlanned(
        target=target,
        ra_deg=ra,
        dec_deg=dec,
        priority=priority,
        wanted=tuple((name, exposure_s, 12) for name in FILTERS),
        windows_utc_s=tuple(
            (window.start_utc_s, window.end_utc_s) for window in _windows(ra, dec, dusk, dawn)
        ),
        transit_utc_s=None,
    )


@cache
def star_picture(seed: int, width: int = 240, height: int = 180) -> bytes:
    """A small grey PNG of invented stars (PNG specification, third edition)."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    picture = random.normal(26, 4, (height, width))
    for _ in range(60):
        cx, cy, flux = random.uniform(0, width), random.uniform(0, height), random.pareto(1.2)
        picture += 60 * flux * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 2.4)
    grey = np.clip(picture, 0, 255).astype(np.uint8)
    rows = b"".join(b"\0" + row.tobytes() for row in grey)
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(rows, 1)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )


@dataclass(frozen=True)
class StoryNight:
    """The night, told once for all tests: read-only."""

    folder: Path
    events: tuple[Event, ...]


@cache
def story_night() -> StoryNight:
    folder = Path(tempfile.mkdtemp(prefix="night-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    journal, _ = tell_night(folder / "journal.sqlite", folder)
    events = tuple(journal.events(NIGHT))
    journal.close()
    return StoryNight(folder, events)


def with_fact(events: tuple[Event, ...], index: int, **changes: object) -> tuple[Event, ...]:
    """The same events with one fact changed, as a journal would hold it."""
    changed = replace(events[index], fact=events[index].fact.model_copy(update=changes))
    return (*events[:index], changed, *events[index + 1 :])


def index_of(events: tuple[Event, ...], kind: type[e.Fact], nth: int = 0) -> int:
    return [i for i, event in enumerate(events) if isinstance(event.fact, kind)][nth]


def as_events(*seen: tuple[float, e.Fact]) -> tuple[Event, ...]:
    """Events from (moment, fact) pairs; the digests are not those of a journal."""
    return tuple(Event(n, at, NIGHT, fact, "") for n, (at, fact) in enumerate(seen, start=1))
