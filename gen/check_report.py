"""Where checks of a description collect what they find."""

from __future__ import annotations

from collections.abc import Callable

from .errors import Fault


def deg_of_us(time_us: float, rpm: float) -> float:
    """Crank degrees turned in a time: 6 deg/s for each rpm."""
    return 6e-6 * rpm * time_us


class Report:
    """Faults and warnings of one description, in the order found."""

    def __init__(self, file: str, line_of_key: Callable[[str], int | None]) -> None:
        self._file = file
        self._line_of_key = line_of_key
        self._faults: list[Fault] = []
        self._warnings: list[Fault] = []

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What makes the description unusable."""
        return tuple(self._faults)

    @property
    def warnings(self) -> tuple[Fault, ...]:
        """What is odd but accepted."""
        return tuple(self._warnings)

    def fault(
        self, key: str, problem: str, remedy: str, *, value: object = None, allowed: str = ""
    ) -> None:
        """Record what makes the description unusable."""
        self._faults.append(self._entry(key, problem, remedy, value, allowed))

    def warn(
        self, key: str, problem: str, remedy: str, *, value: object = None, allowed: str = ""
    ) -> None:
        """Record what is odd but accepted."""
        self._warnings.append(self._entry(key, problem, remedy, value, allowed))

    def _entry(self, key: str, problem: str, remedy: str, value: object, allowed: str) -> Fault:
        return Fault(
            self._file,
            key,
            problem,
            value=value,
            allowed=allowed,
            remedy=remedy,
            line=self._line_of_key(key),
        )
