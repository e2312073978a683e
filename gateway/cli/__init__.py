"""The commands, one file each. A command reads its input, calls the layer that does the work, and prints: results to standard output,
messages to standard error.

Exit status: 0 good, 1 a finding (a check failed, a device differs from its map), 2 the input or the use was wrong.
"""
