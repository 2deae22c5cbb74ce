"""The booth: a local page that shows cues, live readouts and the review of labels."""
