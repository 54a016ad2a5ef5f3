"""What the user writes: site, rig, night orders, faults to inject. Models, reading, errors."""
