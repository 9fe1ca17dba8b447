"""The records that cross module borders: frozen, standard library only.

Names ending in ``_s`` are seconds; ``utc_s`` counts from 1970-01-01 UTC, ``mono_s`` on the
machine's monotonic clock. Temperatures are °C, powers W, energies kWh, pressures bar. Nothing
here decides anything, reads a clock or touches a file.
"""
