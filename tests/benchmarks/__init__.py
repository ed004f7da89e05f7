"""Accuracy and speed, measured beside rivals in the same run."""
