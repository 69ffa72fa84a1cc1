"""The drive file: what a TOML drive may say, checked value by value."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from sim.road import SURFACE_NAMES
from sim.sensors import GROUPS

Number = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Temperature = Annotated[float, Field(ge=-40, le=150, allow_inf_nan=False)]
Grade = Annotated[float, Field(ge=-40, le=40, allow_inf_nan=False)]


class Table(BaseModel):
    """Base of every table of the file: unknown keys are errors, numbers are numbers."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Point(Table):
    """A place in the script; what a point leaves out stays as it was."""

    at_s: NotNegative
    speed_kmh: Annotated[float, Field(ge=0, le=250, allow_inf_nan=False)]
    grade_pct: Grade | None = None
    surface: str | None = None
    gear_limit: Annotated[int, Field(ge=1)] | None = None
    headwind_kmh: Annotated[float, Field(ge=-150, le=150, allow_inf_nan=False)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.surface is not None and self.surface not in SURFACE_NAMES:
            raise ValueError(f"surface {self.surface!r} is not known; there are: {', '.join(SURFACE_NAMES)}")
        return self


class Event(Table):
    """Something that happens at a time, or when road speed crosses a value."""

    at_s: NotNegative | None = None
    at_speed_kmh: NotNegative | None = None
    direction: Literal["rising", "falling"] = "rising"
    after_s: NotNegative = 0.0
    for_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    band: Literal["none", "low", "high"] | None = None
    ignition: bool | None = None
    throttle_add_pct: Annotated[float, Field(ge=-100, le=100)] | None = None
    brake_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    gear_limit: Annotated[int, Field(ge=1)] | None = None
    lose: Annotated[tuple[str, ...], Field(strict=False)] = ()
    signals: dict[str, int] = {}

    @model_validator(mode="after")
    def _check(self) -> Self:
        for group in self.lose:
            if group not in GROUPS:
                raise ValueError(f"lose: {group!r} is no signal group; there are: {', '.join(GROUPS)}")
        if (self.at_s is None) == (self.at_speed_kmh is None):
            raise ValueError("an event needs exactly one of at_s and at_speed_kmh")
        given = (self.band, self.ignition, self.throttle_add_pct, self.brake_pct, self.gear_limit)
        if all(value is None for value in given) and not self.lose and not self.signals:
            raise ValueError("an event must do something: band, ignition, throttle_add_pct, brake_pct, lose, …")
        passing = self.throttle_add_pct, self.brake_pct, self.gear_limit
        if any(value is not None for value in passing) and self.for_s is None:
            raise ValueError("throttle_add_pct, brake_pct and gear_limit need for_s")
        return self


class Trailer(Table):
    """A trailer: mass, what it adds to the drag area, and its tyres' rolling resistance on a sealed road."""

    mass_kg: NotNegative
    drag_area_m2: NotNegative = 0.0
    rolling: NotNegative = 0.014


class DriveFile(Table):
    """A whole drive file."""

    title: str
    about: str
    ambient_c: Annotated[float, Field(ge=-40, le=60, allow_inf_nan=False)]
    altitude_m: Annotated[float, Field(ge=-400, le=5000, allow_inf_nan=False)] = 0.0
    oil_c: Temperature
    coolant_c: Temperature
    load_kg: NotNegative = 0.0
    trailer: Trailer | None = None
    point: Annotated[tuple[Point, ...], Field(min_length=2, strict=False)]
    event: Annotated[tuple[Event, ...], Field(strict=False)] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.point[0].at_s != 0.0:
            raise ValueError("the first point must be at_s = 0.0")
        for before, after in zip(self.point, self.point[1:], strict=False):
            if after.at_s <= before.at_s:
                raise ValueError(f"points must rise in time, but at_s = {after.at_s:g} follows {before.at_s:g}")
        return self
