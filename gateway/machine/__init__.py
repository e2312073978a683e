"""The physics of starting a squirrel-cage motor: pure, without clock, randomness or input and output.

Reading order: `circuit` (what the motor does at one slip), `nameplate` (the circuit from catalogue data), `loads`, `feed` and the starting
methods (`methods`, `soft_starter`, `frequency_drive`), `substep` (the integration rule), `thermal_truth`, `drive` (all of it moving in
time), `run_up` (one start as curves and figures).

The model is quasi-steady: no direct-current offset and no torque oscillation of the first cycles. Held against a full dynamic model, start
time and I2t agree within 2 % for starts longer than 2.5 s and 0.5 % for soft starts, but only within 12 to 17 % at 0.25 s.
"""
