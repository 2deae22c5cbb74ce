"""Middle floor: brings readouts in and keeps them as they came."""
