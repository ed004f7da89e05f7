"""Simulated prints, rulings and spiked-in spores, with exact truth. Shares no code with the detector.

- `truth`: what every renderer hands over
- `ranges`: the table of ranges, and its presets
- the other folders: twenty-eight more renderers, each with its own `draw_photo`
- `photo`: `draw_photo`, one photo; `print_photos`: `draw_session`, the photos of one print
- `rulings`: `draw_ruling`; `spike`: `spike_in`; `copies`: `place_cuts`; `bodies`: `lay_bodies`
- within: `sample` and `scene` say what lies on the print in um (`debris`, `things`, `shapes`),
  `painters` make optical density of it on a `canvas`, `optics` and `camera` make a photo of it, `account`
  keeps the truth
"""
