"""The price: power by part, the states it is paid in, the light it makes."""
