"""Measured against predicted: combine readings, learn, correct, and say where to measure next."""
