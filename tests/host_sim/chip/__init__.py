"""Tests of the emulated chips."""
