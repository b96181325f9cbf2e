"""What a programmable amplifier can do: filters, tuning, exact response, rendering."""
