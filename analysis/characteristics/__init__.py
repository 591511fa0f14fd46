"""The standard Bluetooth characteristics, bytes to values and back; one module each."""
