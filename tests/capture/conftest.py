"""Property tests of this room: judged on what they find, never on how fast a shared machine is."""

from hypothesis import settings

settings.register_profile("capture", deadline=None, max_examples=60)
settings.load_profile("capture")
