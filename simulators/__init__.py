"""Simulated starters on the wire: the truth that the gateway is tested against, and the plant of the demo.

Nothing here shares code with the gateway's decoder or core: `words` makes words from `gateway.registers.model` alone, and the physics
comes from `gateway.machine`. A mistake on one side therefore shows as a difference and cannot cancel out.

Reading order: scenario (which starters, what happens when), traits, motor (physics on a grid of 20 ms), protection, plant (the device),
truth (what really happened), instruments and meter (what the device measures), words, encoder and image (values to registers), faults,
modbus and opcua (the sockets), live (all of it in real time).
"""
