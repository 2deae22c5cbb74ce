"""The verdict: whether a host's owner would notice, and whether limits are kept."""
