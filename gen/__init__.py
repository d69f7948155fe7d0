"""Engine description to firmware: read, design, quantise, render, build."""
