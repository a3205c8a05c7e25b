"""Drills: real processes, killed and starved at random, and a count of what that cost."""
