"""The device's own settings as far as a map reads them (`set_ramp_time`, `set_current_limit` ...): when they change.

A new value is believed when two readings in a row show it: two words of one value read at two moments do not come twice. The change is
dated by the first of them. What a setting was before the first reading is not known, so the first value is no change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.instants import Instant
from gateway.motors.reading import Scalar
from gateway.motors.records import SettingChange, SettingsChanged

PREFIX = "set_"


@dataclass(slots=True)
class DeviceSettings:
    """The settings as last believed, by signal key, and values that wait to be believed with the reading that first showed them."""

    known: dict[str, Scalar] = field(default_factory=dict)
    doubted: dict[str, tuple[Instant, Scalar]] = field(default_factory=dict)

    def take(self, at: Instant, values: Mapping[str, Scalar]) -> SettingsChanged | None:
        """Fold one reading; return what changed.

        >>> settings = DeviceSettings()
        >>> [settings.take(at, {"set_ramp_time": value}) for at, value in enumerate((10.0, 12.0))]
        [None, None]
        >>> settings.take(2, {"set_ramp_time": 12.0})
        SettingsChanged(at=1, changes=(SettingChange(key='set_ramp_time', before=10.0, after=12.0),))
        """
        changes: list[SettingChange] = []
        since = at
        for key, value in values.items():
            if not key.startswith(PREFIX):
                continue
            known, doubted = self.known.get(key), self.doubted.pop(key, None)
            if known is None:
                self.known[key] = value
            elif value != known:
                if doubted is None or doubted[1] != value:
                    self.doubted[key] = (at, value)
                    continue
                changes.append(SettingChange(key=key, before=known, after=value))
                since = min(since, doubted[0])
                self.known[key] = value
        return SettingsChanged(at=since, changes=tuple(changes)) if changes else None

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.doubted = {key: (at + by_us, value) for key, (at, value) in self.doubted.items()}
