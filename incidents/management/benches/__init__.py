"""Speeds, measured beside what the driver alone can do; one module a bench."""
