"""A trace cut into frames and phases, with nothing known of the device but its LED's pulse.

`frames` learns the period and the shape of one frame; `segments` cuts its median at the
`change_points`; `phases` names the segments and cuts every frame at its own edges; `sums` adds up
what each takes.
"""
