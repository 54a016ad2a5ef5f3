"""What tests of nights in real processes share: a broker that can die, a night that is kept going.

Everything here is watched in real time, since real processes are.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import paho.mqtt.client as mqtt

from contract.bus_benches import MOSQUITTO, free_port, listening
from midwatch.errors import StopError
from midwatch.journal.facts import Fact, FrameBegun, FrameFiled, FrameLost, FrameRead, FrameRegraded
from midwatch.journal.store import read_events
from midwatch.journal.store.chain import GENESIS
from support.interface_bench import SITE, write_night
from support.pace import LIMIT_S, speed

F = TypeVar("F", bound=Fact)

EVENING = "2027-03-10"
# After dusk at the test site, so that a night begins with work.
START = datetime(2027, 3, 10, 18, 42, tzinfo=UTC)
RIG = """\
name: Bench
optics: {{focal_length_mm: 420, aperture_mm: 85}}
devices:
  mount: {{driver: simulated-mount}}
  camera:
    driver: simulated-camera
    options: {{width_px: 600, height_px: 400, pixel_um: 10.8}}
  focuser: {{driver: simulated-focuser, options: {{best_position: 15000}}}}
  roof: {{driver: simulated-roof}}
camera: {{pixel_um: 10.8, cool_to_c: -5, cool_rate_c_per_min: 10, warm_rate_c_per_min: 10}}
focus: {{start_position: 15000, step: 80}}
bus: {{host: 127.0.0.1, port: {port}, lease_s: {lease_s:g}, heartbeat_s: {heartbeat_s:g}}}
"""
ORDERS = """\
site: site.yaml
rig: rig.yaml
targets:
  - name: M 101
    frames: [{{exposure_s: {exposure_s:g}, count: {count}}}]
"""


def wait_for(look: Callable[[], Any], what: str) -> Any:
    """Return the first true value of `look`, as soon as there is one."""
    ends = time.monotonic() + LIMIT_S
    while time.monotonic() < ends:
        if found := look():
            return found
        time.sleep(0.2)
    raise AssertionError(f"{what}: not within {LIMIT_S} s")


def end_session(leader: int) -> None:
    """Kill all that a process which leads a session has started, in whichever group, and it."""
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            # After the name in brackets: state, parent, group, session (proc(5)).
            fields = status.read_text().rpartition(")")[2].split()
            if int(fields[3]) == leader:
                os.kill(int(status.parent.name), signal.SIGKILL)


class Mosquitto:
    """A broker on a port of its own that can die, come back empty, and stand still."""

    def __init__(self, folder: Path) -> None:
        assert MOSQUITTO.exists(), "install the package mosquitto"
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\nallow_anonymous true\n"
            "set_tcp_nodelay true\n"
        )
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen([MOSQUITTO, "-c", self._config], stderr=subprocess.DEVNULL)
        wait_for(lambda: listening(self.port), "mosquitto listens")

    def send(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


class Onlooker:
    """What any MQTT client sees of the devices; paho alone, none of our code."""

    def __init__(self, port: int) -> None:
        self.states: dict[str, dict[str, Any]] = {}
        self.events: Counter[str] = Counter()
        self.limits_held = 0
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="onlooker")
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe("midwatch/#")
        self._client.reconnect_delay_set(0.2, 1)  # type: ignore[arg-type]
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        levels = message.topic.split("/")
        if levels[-1] == "state" and levels[3] != "night":
            self.states[levels[3]] = json.loads(message.payload)["state"]
        elif levels[3] == "night" and levels[4] == "event":
            facts = json.loads(message.payload)
            assert {"seq", "at", "facts"} <= set(facts)
            self.events[levels[5]] += 1
        elif levels[-1] == "made_safe":
            self.events[f"{levels[3]} made_safe"] += 1
        elif levels[-1] == "limit_held":
            self.limits_held += 1

    def safe(self) -> bool:
        """Whether the telescope is parked under a closed roof."""
        mount, roof = self.states.get("mount", {}), self.states.get("roof", {})
        return bool(
            mount.get("parked") and not mount.get("tracking") and roof.get("position") == "closed"
        )

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class StandingNight:
    """A night over MQTT in scaled time whose daemon is started again whenever it has died.

    Time goes on while the daemon is dead, as on a machine that a service manager looks after.
    """

    def __init__(
        self,
        folder: Path,
        port: int,
        *,
        fastest: float = 100.0,
        exposure_s: float = 60.0,
        count: int = 6,
        lease_s: float = 600.0,
        heartbeat_s: float = 60.0,
        seed: int = 1,
        words: tuple[str, ...] = (),
    ) -> None:
        self.folder = folder
        self.out = folder / "night"
        self.speed = speed(fastest)
        self.seed = seed
        self.processes: list[subprocess.Popen[bytes]] = []
        self._words = words
        self._anchor_s = time.time()
        self.orders = write_night(
            folder,
            orders=ORDERS.format(exposure_s=exposure_s, count=count),
            rig=RIG.format(port=port, lease_s=lease_s, heartbeat_s=heartbeat_s),
            site=SITE,
        )

    @property
    def process(self) -> subprocess.Popen[bytes]:
        return self.processes[-1]

    @property
    def night(self) -> Path:
        return self.out / EVENING

    def now(self) -> datetime:
        return START + timedelta(seconds=(time.time() - self._anchor_s) * self.speed)

    def start(self) -> None:
        words = ["run", self.orders, "--evening", EVENING, "--out", self.out, "--sky", "fast",
                 "--seed", self.seed, "--speed", self.speed, "--start", START.isoformat(),
                 "--anchor", self._anchor_s, *self._words]  # fmt: skip
        command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
        with self.log(len(self.processes)).open("wb") as log:
            self.processes.append(
                subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
            )

    def log(self, number: int = -1) -> Path:
        number = len(self.processes) - 1 if number < 0 else number
        return self.folder / f"log-{number}"

    def said(self) -> str:
        return self.log().read_text(errors="replace")

    def pids(self) -> dict[str, int]:
        """The device processes, as the daemon notes them."""
        try:
            noted: dict[str, int] = json.loads((self.out / "devices.json").read_bytes())
        except (OSError, ValueError):
            return {}
        return noted

    def facts(self, kind: type[F]) -> list[F]:
        try:
            events = read_events(self.out / "journal.sqlite", EVENING)
        except (FileNotFoundError, StopError):
            return []  # it is just being made
        return [event.fact for event in events if isinstance(event.fact, kind)]

    def filed(self) -> int:
        return len(self.facts(FrameFiled))

    def exposing(self, filed: int = 1) -> bool:
        """Whether some frames are filed and another is under way."""
        begun = [f.exposure_id for f in self.facts(FrameBegun)]
        over = {f.exposure_id for kind in (FrameRead, FrameLost) for f in self.facts(kind)}
        return self.filed() >= filed and bool(begun) and begun[-1] not in over

    def finished(self) -> bool:
        """Whether the night has ended; a daemon that died is started again."""
        if (code := self.process.poll()) is None:
            return False
        if code >= 0 and code != 3:
            return True
        self.start()
        return False

    def end(self) -> None:
        """Kill what is left: device processes live on in the session of a killed daemon."""
        for process in self.processes:
            end_session(process.pid)
            process.wait()

    # What must hold at the end ---------------------------------------------------------------

    def summary(self) -> Any:
        return json.loads((self.night / "night.json").read_bytes())

    def problems(self, onlooker: Onlooker) -> list[str]:
        """Return everything that is wrong with a night that has ended."""
        if self.process.poll() != 0:
            return [f"ended with {self.process.poll()}: {self.said()[-1500:]}"]
        summary = self.summary()
        wrong = [f"promise broken: {p}" for p in summary["promises"] if p["ok"] is False]
        if not onlooker.safe():
            wrong.append(f"not at rest: {onlooker.states}")
        return [*wrong, *self.frame_problems(), *self.chain_problems()]

    def frame_problems(self) -> list[str]:
        """Each frame that was read out lies on the disk once, whole; the spool holds no more."""
        read = Counter(f.exposure_id for f in self.facts(FrameRead))
        filed = Counter(f.exposure_id for f in self.facts(FrameFiled))
        lost = {f.exposure_id for f in self.facts(FrameLost)}
        wrong = [f"{name} read {n} times" for name, n in read.items() if n != 1]
        wrong += [f"{name} filed {n} times" for name, n in filed.items() if n != 1]
        wrong += [f"{name} was read and not filed" for name in sorted(set(read) - set(filed))]
        begun = {f.exposure_id for f in self.facts(FrameBegun)}
        wrong += [f"{name} has no fate" for name in sorted(begun - set(read) - lost)]
        # One that was given up may turn up in the spool; one that is filed is not given up.
        fates: dict[str, Fact] = {}
        for fact in self.facts(Fact):
            if isinstance(fact, FrameFiled | FrameLost):
                fates[fact.exposure_id] = fact
        wrong += [
            f"{name} was filed, then lost"
            for name, fate in fates.items()
            if name in filed and isinstance(fate, FrameLost)
        ]
        moved = {f.exposure_id: f.path for f in self.facts(FrameRegraded) if f.path}
        paths = {moved.get(f.exposure_id, f.path): f.file_sha256 for f in self.facts(FrameFiled)}
        for path, sha256 in paths.items():
            data = (self.night / path).read_bytes() if (self.night / path).exists() else b""
            if hashlib.sha256(data).hexdigest() != sha256:
                wrong.append(f"{path} is not what was filed")
        found = {p.relative_to(self.night).as_posix() for p in self.night.rglob("*.fits")}
        wrong += [f"{path} is in no ledger" for path in sorted(found - set(paths))]
        wrong += [f"{p.name} still waits" for p in (self.out / "spool").glob("camera/*.bin")]
        wrong += [f"{p} was set aside" for p in (self.out / "spool").rglob("quarantine/*")]
        return wrong

    def chain_problems(self) -> list[str]:
        """Follow the chain of digests with our own arithmetic, not the journal's."""
        import sqlite3

        connection = sqlite3.connect(self.out / "journal.sqlite")
        rows = connection.execute(
            "SELECT seq, at_utc_s, night, kind, facts, digest FROM events ORDER BY seq"
        ).fetchall()
        connection.close()
        head, wrong = GENESIS, []
        for number, (seq, at_s, night, kind, facts, digest) in enumerate(rows, start=1):
            line = f"{head}\n{number}\n{at_s!r}\n{night}\n{kind}\n{facts}\n".encode()
            if seq != number or hashlib.blake2b(line, digest_size=32).hexdigest() != digest:
                wrong.append(f"event {seq} does not follow")
            head = digest
        wrong += [f"{p.name} was set aside" for p in self.out.glob("journal.sqlite.damaged*")]
        return wrong
