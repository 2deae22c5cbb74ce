"""The device program as text: state machine, hooks of a board, a worked example, build files."""
