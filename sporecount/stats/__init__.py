"""What counts say about a field, a print and a group: numbers in, numbers out, no pictures and no files.

Order of reading: `intervals`, `count_interval` (one field), `overdispersion` (clumping between fields),
`density`, `detection_limit`, `load` (one print), `planning`, `prevalence` (a group), `agreement`
(readers), `calibration_error` (probabilities), `control` (blank and spiked prints).
"""
