"""The firmware folder as text: model, watching, device program, self-test; always the same."""
