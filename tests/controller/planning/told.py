"""A stand-in source: another's readings, with forecasts and a sensor's readings added."""

from __future__ import annotations


class Told:
    """Forecasts, and readings by sensor as (time, value) pairs, added to a source."""

    def __init__(self, source, forecasts=(), readings=None):
        self._source, self._forecasts, self._readings = source, forecasts, readings or {}

    def samples(self, sensor, since_s, until_s):
        if sensor in self._readings:
            return [(t, v) for t, v in self._readings[sensor] if since_s <= t < until_s]
        return self._source.samples(sensor, since_s, until_s)

    def heating(self, heater, since_s, until_s):
        return self._source.heating(heater, since_s, until_s)

    def promised(self, heater, session, before_s):
        return self._source.promised(heater, session, before_s)

    def forecasts(self, since_s, until_s):
        return [f for f in self._forecasts if since_s <= f.received_s < until_s]
