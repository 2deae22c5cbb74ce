"""The choice for tasks whose light is not the device's own: a place of light, how many are there.

``measures`` says what stands beside the microwatts; ``sources`` and ``people`` try settings of
either kind of recording, ``tasks`` is what a search asks of both, ``search`` the order of it all;
``told`` holds it as plain values and ``page`` is what is read. Nothing here turns an LED.
"""
