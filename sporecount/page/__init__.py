"""The bench page: a local web page that takes photos, shows counts as they come, and settles the doubtful.

Routes parse, call and show; what is counted, tallied or kept lives further down. One module a place:

- `serve`: the port, the key, the browser
- `guard`: who may talk to the page
- `desk`: what all routes share: the folder, its results, the count in the background
- `photos`, `prints`, `field`, `recheck`, `calibrate`: the routes
- `uploads`, `news`: files that arrive; what is told to open tabs
"""

from __future__ import annotations
