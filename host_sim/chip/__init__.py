"""Emulated microcontrollers behind one interface."""
