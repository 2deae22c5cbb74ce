"""Stages of a sensor that lights nothing: both exposures added up, and what stands in front.

They are found by their kind, as all stages are, and followed by those that every model has.
"""
