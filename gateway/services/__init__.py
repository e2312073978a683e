"""What runs: `poller` (links to polls), `pipeline` (polls to the store, to alerts and to the pages), `recovery` (a restart goes on where
the last run ended), `plant` (what the pages see), `health`, `housekeeping`, `replay`.

Services are given a clock and never read another one.
"""
