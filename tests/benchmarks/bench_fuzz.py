"""Hostile messages by the hundred thousand: at a rehearsed rig, and at real processes on Mosquitto.

Run it with ``.venv/bin/python tests/benchmarks/bench_fuzz.py [MESSAGES] [REAL_MESSAGES]``.
"""

from __future__ import annotations

import getpass
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

import paho.mqtt.client as mqtt  # noqa: E402
import structlog  # noqa: E402

from contract.bus_benches import MOSQUITTO, free_port, listening  # noqa: E402
from midwatch.bus import MemoryBus, Topics  # noqa: E402
from midwatch.journal.facts import HostAccount  # noqa: E402
from support.by_hand import FIRST_LIGHT_S, ORDERS, ROOFED, Hand, Seen, night, text_of, write  # noqa: E402
from support.hostile_messages import HostileSource  # noqa: E402
from support.nights_bench import end_session, wait_for  # noqa: E402

ROLES = ("mount", "camera", "focuser", "guider", "weather", "roof", "flat_panel")
BURST = 40


def happened(seen: Seen) -> list[Any]:
    return [(e.at_utc_s, e.fact) for e in seen.events if not isinstance(e.fact, HostAccount)]


def counts_of(summary: dict[str, Any]) -> dict[tuple[str, str], int]:
    return {
        (entry["device"], reason): n
        for entry in summary["turned_away"]
        for reason, n in entry["counts"].items()
    }


def rehearsed(messages: int, folder: Path) -> None:
    path = write(folder / "orders")
    sources: list[HostileSource] = []

    async def act(hand: Hand) -> None:
        sources.append(HostileSource(hand.topics, ROLES, 1))
        await hand.until(FIRST_LIGHT_S - 4500.0)
        async with MemoryBus(hand.broker, "stranger") as bus:
            for _ in range(messages // BURST):
                for message in sources[0].take(BURST, hand.clock.now()):
                    await bus.publish(message.topic, message.payload)
                await hand.clock.sleep(5700.0 * BURST / messages)

    calm = night(folder / "calm", path)
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    began = time.process_time()
    seen = night(folder / "hostile", path, act)
    took_s = time.process_time() - began
    after_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    content = json.loads((folder / "hostile" / "2027-03-10" / "night.json").read_text())
    counted, expected = counts_of(content), dict(sources[0].expected)
    wrong = {
        key: (expected.get(key), counted.get(key))
        for key in counted.keys() | expected.keys()
        if key[1] != "duplicate" and expected.get(key) != counted.get(key)
    }
    by_reason: Counter[str] = Counter()
    for (_, reason), n in counted.items():
        by_reason[reason] += n
    print(f"rehearsed rig: {messages} messages in {took_s:.1f} s of processor time")
    print(f"  journal as without them: {happened(seen) == happened(calm)}")
    print(f"  counts that differ from what was sent: {wrong or 'none'}")
    print(f"  counted: {dict(sorted(by_reason.items()))}")
    print(f"  peak memory {before_mb:.0f} MB before, {after_mb:.0f} MB after")
    print(f"  promises: { ({p.number: p.ok for p in seen.outcome.summary.promises}) }")


class Onlooker:
    """Sends as a stranger, and sees what any client sees."""

    def __init__(self, port: int) -> None:
        self.states: dict[str, dict[str, Any]] = {}
        self.accounts: dict[str, dict[str, Any]] = {}
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="stranger")
        self.client.on_message = self._take
        self.client.on_connect = lambda client, *_: client.subscribe("midwatch/#")
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        levels = message.topic.split("/")
        try:
            content = json.loads(message.payload)
            if levels[-1] == "state" and levels[3] != "night" and content["state"]:
                self.states[levels[3]] = content["state"]
            elif levels[-1] == "about":
                self.accounts[levels[3]] = content["account"]
        except (ValueError, KeyError, TypeError, RecursionError):
            pass  # our own hostile ones


def memory_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def shown(states: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """What must not move."""
    mount, roof, focuser = (states[name] for name in ("mount", "roof", "focuser"))
    fields = ("parked", "tracking", "slewing", "pier_side")
    return {**{f: mount[f] for f in fields}, "roof": roof["position"],
            "focuser": focuser["position"]}  # fmt: skip


def midwatch(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def real(messages: int, folder: Path) -> None:
    port = free_port()
    config = folder / "mosquitto.conf"
    limit = next(
        line
        for line in (ROOT / "configs/broker/mosquitto.conf").read_text().splitlines()
        if line.startswith("message_size_limit")
    )
    config.write_text(
        f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nallow_anonymous true\n"
        f"set_tcp_nodelay true\nmax_queued_messages 10000\n{limit}\n"
    )
    broker = subprocess.Popen([MOSQUITTO, "-c", config], stderr=subprocess.DEVNULL)
    rig = ROOFED + f"bus: {{host: 127.0.0.1, port: {port}, lease_s: 30, heartbeat_s: 5}}\n"
    out = folder / "night"
    daemon = None
    try:
        wait_for(lambda: listening(port), "mosquitto listens")
        orders = write(folder / "orders", rig=rig)
        with (folder / "log").open("w") as log:
            daemon = subprocess.Popen(
                [sys.executable, "-m", "midwatch.interface.cli", "run", str(orders), "--out",
                 str(out), "--speed", "1", "--start", "2027-03-10T17:20:00Z", "--sky", "fast",
                 "--json"],
                stdout=subprocess.PIPE, stderr=log, text=True, start_new_session=True,
            )  # fmt: skip
        onlooker = Onlooker(port)
        wait_for(lambda: len(onlooker.states) >= len(ROLES), "all devices are there")
        wait_for(lambda: onlooker.states["mount"]["connected"], "the rig is connected")
        time.sleep(5.0)
        pids = json.loads((out / "devices.json").read_text()) | {"daemon": daemon.pid}
        before, sizes = shown(onlooker.states), {n: memory_mb(p) for n, p in pids.items()}
        start = datetime(2027, 3, 10, 17, 20, tzinfo=UTC).timestamp()
        running = json.loads((out / "running.json").read_text())
        source = HostileSource(Topics("Test Field", "Bench"), ROLES, 2, "midwatch-daemon")
        began = time.monotonic()
        for _ in range(messages // BURST):
            now = datetime.fromtimestamp(start + time.time() - running["anchor_unix_s"], UTC)
            for message in source.take(BURST, now):
                onlooker.client.publish(message.topic, message.payload).wait_for_publish(10.0)
            time.sleep(0.02)
        took_s = time.monotonic() - began
        time.sleep(15.0)
        alive = {name: Path(f"/proc/{pid}").exists() for name, pid in pids.items()}
        grown = {n: f"{sizes[n]:.0f} -> {memory_mb(p):.0f}" for n, p in pids.items() if alive[n]}
        status = midwatch("status", "--out", out, "--json")
        after = shown(onlooker.states)
        new = {**ORDERS, "targets": ORDERS["targets"][1:]}
        changed_orders = folder / "orders" / "new.yaml"
        changed_orders.write_text(text_of(new))
        changed = midwatch("change", changed_orders, "--out", out)
        changed_orders.write_text(text_of({**new, "targts": []}))
        refused = midwatch("change", changed_orders, "--out", out)
        closing = midwatch("close", "--out", out, "--why", "enough")
        said, _ = daemon.communicate(timeout=240)
        summary = json.loads(said)
        counted = counts_of(summary)
        expected = {k: n for k, n in source.expected.items() if k[1] != "duplicate"}
        wrong = {
            key: (expected.get(key), counted.get(key))
            for key in counted.keys() | expected.keys()
            if key[1] != "duplicate" and expected.get(key) != counted.get(key)
        }
        print(f"real processes, Mosquitto: {messages} messages in {took_s:.0f} s")
        print(f"  alive: {all(alive.values())}; nothing moved: {before == after} {after}")
        print(f"  memory, MB: {grown}")
        sent = sum(expected.values())
        print(f"  to be counted {sent}; counts that differ: {wrong or 'none'}")
        seen = sum(sum(a["counts"].values()) for a in onlooker.accounts.values() if a)
        print(f"  told on the bus: {seen}; status: exit {status.returncode}")
        print(f"  change: exit {changed.returncode}: {changed.stdout.strip()!r}")
        print(f"  bad change: exit {refused.returncode}: {refused.stderr.strip()[:160]!r}")
        print(f"  close: exit {closing.returncode}; the run ended with {daemon.returncode}")
        print(f"  promises: { ({p['number']: p['ok'] for p in summary['promises']}) }")
    finally:
        if daemon is not None:
            end_session(daemon.pid)
        broker.kill()
        broker.wait()


def main() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    words = sys.argv[1:]
    messages = int(words[0]) if words else 100_000
    real_messages = int(words[1]) if len(words) > 1 else 20_000
    with tempfile.TemporaryDirectory() as folder:
        if messages:
            rehearsed(messages, Path(folder) / "rehearsed")
        if real_messages:
            (Path(folder) / "real").mkdir()
            real(real_messages, Path(folder) / "real")


if __name__ == "__main__":
    main()
