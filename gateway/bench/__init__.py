"""The test bench for register maps: does this map fit this device, and if not, which line is wrong?

What was asked and answered (`exchange`) becomes words over time (`timeline`), words become series of values (`series`), series are held
against what a motor starter can show (`expectations`) and against each other (`company`, `currents`, `flags`, `consistency`); what does
not fit is tried with one or two changes to the map (`corrections`, `judge`, `hypotheses`, `propose`, `propose_opcua`). All of that is
pure. `wire`, `device` and `device_opcua` send the requests, `frames` and `node_record` keep and read them, `report` writes the result for
the device's integrator. Nothing here writes to a device.
"""
