"""The firmware folder as text: model, weights, self-test and README, the same bytes each time."""
