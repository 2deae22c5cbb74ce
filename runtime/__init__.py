"""Ground floor: what runs on the device. Knows neither serial ports nor scikit-learn."""
