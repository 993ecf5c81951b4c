"""What is worth writing down again: a forecast that tells something else than the one before it.

Forecasts are made once a second. Over a day's soak they would take as much room as the readings they are made from.
"""

from __future__ import annotations

from benchmon.watch.records import Forecast

_STANDS_FOR = 30.0
"""Seconds after which a forecast is written down again, whatever it tells."""
_OF_UNCERTAINTY, _OF_TIME, _SECONDS = 0.1, 0.03, 1.0


def tells_the_same(forecast: Forecast, former: Forecast) -> bool:
    """Return whether `forecast` tells nobody anything new after `former`.

    It does not where it is of the same kind, its final value is within a tenth of the uncertainty, and the limit is
    passed at the same moment: within a second, or 3 % of the time that is left.
    """
    if forecast.time - former.time >= _STANDS_FOR or forecast.state != former.state:
        return False
    spread = max(forecast.uncertainty or 0.0, former.uncertainty or 0.0)
    left = max(forecast.to_limit or 0.0, former.to_limit or 0.0)
    return (
        _near(forecast.final, former.final, _OF_UNCERTAINTY * spread)
        and _near(forecast.uncertainty, former.uncertainty, _OF_UNCERTAINTY * spread)
        and all(
            _near(_moment(forecast, now), _moment(former, then), max(_SECONDS, _OF_TIME * left))
            for now, then in (
                (forecast.to_limit, former.to_limit),
                (forecast.earliest, former.earliest),
                (forecast.latest, former.latest),
            )
        )
    )


def _moment(forecast: Forecast, ahead: float | None) -> float | None:
    return None if ahead is None else forecast.time + ahead


def _near(one: float | None, other: float | None, allowed: float) -> bool:
    if one is None or other is None:
        return one is other
    return one == other or abs(one - other) <= allowed
