"""What happens before the sensor: cues acted at a table, and everyday life around it.

``acting_cues`` is a participant who follows a script; ``everyday`` plays scenes planned by ``plan``
from ``at_table`` and ``carried``, with the ``things`` and the light that ``surround`` them.
"""
