"""Top floor: learns models from recordings; also holds the ``palmwatt`` command."""
