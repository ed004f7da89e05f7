"""Tests of the package, laid out like it."""
