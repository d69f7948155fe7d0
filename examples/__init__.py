"""Engine descriptions of the demonstration; data only."""
