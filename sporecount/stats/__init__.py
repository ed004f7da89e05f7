"""What counts say about a field, a print and a group: numbers in, numbers out, no pictures and no files.

In order of reading: `intervals` and `count_interval` (one field); `overdispersion` (clumping between fields),
`evidence` (what the fields of a print say together), `density`, `captured`, `detection_limit`, `load` and
`planning` (one print); `prevalence` (a group); `agreement` (readers); `calibration_error` (probabilities);
`control` (blank and known prints). `checks` and `spread` serve them all.
"""
