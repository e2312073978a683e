"""The pages and the API: what people and other programs see. Reads the plant, never a wire and never the writer.

Read in this order: `plant_view` (what the web layer is given), `snapshot` (one moment of it), `words` and `plant_time` (sentences and
times), `motor_rows` and `motor_page` (what the pages say), `shapes` (the pictures), `pages` and `api` (routes), `stream` (live update),
`application` (everything put together) and `serving`.
"""
