"""The way from photo to tally, one module a step, in this order.

`round_view`, `prepare` (in it `rescale`, `lateral_colour`, `colour_noise`, `dark_ground`, `flatten` and
`stray_light`), `clutter`, `candidates`, `settle` (looks from `classify.network`), `outline`, `classify`,
`bodies`, `twofold`, `measure`, `focus`, `light`, `likeness`, `heaps`, `field_tally`; for a print `overlap` (with
`registration` and `shared_ground`), `print_tally`. `preview` makes the small picture for display; `halved` turns
what is found in a large photo at half its size into its own pixels.
"""
