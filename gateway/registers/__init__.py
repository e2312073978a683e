"""What a register means: `roles`, `model`, `load` (YAML, all mistakes at once), `plan` (fewest requests), `decode` (words to a Reading).

PURE but `load`, which opens files. `model` and `load` know nothing of `gateway.motors`, so that the simulators may read a map too.
"""
