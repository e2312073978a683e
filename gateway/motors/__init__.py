"""What a reading means. PURE: no clock, no I/O, no randomness; time arrives with the reading.

Read in this order: `reading`, `facts`, `records`, `starts`, `start_figures`, `ledger`, `thermal`, the limits, `budget`, `alerts`,
and `watch`, which folds one starter's readings through all of them.
"""
