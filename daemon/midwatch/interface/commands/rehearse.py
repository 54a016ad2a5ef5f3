"""midwatch rehearse: the orders through the real daemon, against simulated devices."""

from __future__ import annotations

import argparse

from midwatch.interface.progress import NightProgress, conclude, shown
from midwatch.planning import plan_night
from midwatch.runtime.files import evening_of, faults_of, load_orders, require_plugins
from midwatch.runtime.folder import Surroundings, make_room
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse


def execute(args: argparse.Namespace) -> int:
    """Rehearse one night and say what it came to."""
    night = load_orders(args.orders)
    evening = evening_of(night, args.evening)
    plan = plan_night(night, evening)  # what is wrong with the evening is said before anything goes
    require_plugins(night)
    make_room(args.out, evening)
    Surroundings.of(night).write(args.out / evening.isoformat())
    options = RehearsalOptions(
        seed=args.seed,
        sky_mode=args.sky,
        data_folder=args.out,
        evening=evening,
        faults=faults_of(night, evening, args),
        plan=plan,
        shuffle=args.shuffle,
    )
    seed = night.orders.seed if args.seed is None else args.seed
    title = f"rehearsal of {evening}, {night.site.name}, {night.rig.name}, seed {seed}, {args.sky}"
    if args.shuffle:
        title += f", shuffled by {args.shuffle}"
    with shown(NightProgress(night, title)) as listener:
        outcome = rehearse(night, options, listener)
    return conclude(outcome, args)
