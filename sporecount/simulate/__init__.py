"""Simulated prints, rulings and spiked-in spores, with exact truth. Shares no code with the detector."""
