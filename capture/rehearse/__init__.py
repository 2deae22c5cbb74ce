"""Rehearsal on real hands before there is a sensor: real shapes before an emulated optic."""
