"""Simulated starters on the wire: the truth that the gateway is tested against, and the plant of the demo.

Nothing here shares code with the gateway's decoder or core: `encoder` makes words from `gateway.registers.model` alone, and the physics
comes from `gateway.machine`. A mistake on one side therefore shows as a difference and cannot cancel out.

Reading order: scenario (what happens when), plant (one starter as a device), meter (what the device measures), encoder (values to words),
faults, modbus and opcua (the sockets), live (all of it together in real time).
"""
