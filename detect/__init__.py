"""Pre-disturbance survey of a wreck: plan lanes, check coverage, map metal, rank squares."""

__version__ = "0.1.0"
