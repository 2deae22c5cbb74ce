"""The budget as a page: verdict first, evidence after, no number without an origin."""
