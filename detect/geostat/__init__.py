"""Estimates and their uncertainty: variogram, kriging, simulation, scores."""
