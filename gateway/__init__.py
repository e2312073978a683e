"""startledger: reads motor starters, keeps every start, says when the next start is permitted and which limit decides.

Layers, each may import only those to its right (`errors`, `instants` and `clock` are leaves):

    cli -> app -> web -> services -> bench -> drivers | store -> registers -> machine -> motors

The way of one measurement: a driver polls by the block plan, `registers.decode` makes a Reading, `motors.watch` (pure) makes events,
`services.pipeline` stores them in one transaction and tells alerts and pages.
Reading order: config/demo, services/poller, drivers/modbus, registers/decode, services/pipeline, motors/watch, motors/starts,
motors/thermal, motors/budget, motors/alerts.
"""

__version__ = "0.1.0"
