"""Simulated photos that no network learns from, the scoring of counts against truth, and rival detectors."""
