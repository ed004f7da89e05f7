"""Simulated photos for measuring only, the scoring of counts against truth, and rival detectors."""
