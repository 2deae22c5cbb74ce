"""Stages against light that is not the device's: frames that it fills, and flicker of the mains.

They stand right behind the entry, before anything divides by the sum of all light.
"""
