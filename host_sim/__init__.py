"""The firmware's own C, run on the host against pulse trains and noise."""
