"""What each step of a model's chain gives away about the people in front of the sensor.

Attackers of stated knowledge listen at every step, from the raw pair to what the device tells
(``steps``). They try to make a picture (``pictures``), to tell who somebody is or what they are
like, and who was trained on (``people``); of a device that was taught, whose it is (``owners``) and
which hand taught it (``owner_pictures``). ``questions`` lists all that is asked. Every figure is a
gain over the blind guess, with its interval over people (``findings``). ``limits`` holds it against
what is allowed, ``page`` writes it down. This is the only place of the house where a picture is
computed; the chain itself never does.
"""
