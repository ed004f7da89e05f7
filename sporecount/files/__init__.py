"""The rim towards the disk: bytes to photos, results to files, and what is kept between runs."""
