"""An example plugin: a lookout for damp air and a duty that switches a lens heater on."""
