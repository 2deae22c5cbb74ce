"""What recordings say about sensor, light and quality, by measurement alone."""
