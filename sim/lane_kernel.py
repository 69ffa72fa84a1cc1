"""The closed loop over many vehicles at once, a vehicle a lane: the loop of `sim.loop` on records and arrays.

Plain Python as it stands, and compiled by `sim.lanes`. The tick about the rules, its parts and the plant are the very
functions that a single drive runs (`sim.tick`); here stand only the events, what is lost or forced, and what is counted
of a lane. A test holds a lane equal to `sim.loop` bit for bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from controller.declare import AGE_INVALID_MS
from sim.course import TICK_S, TICKS_PER_S
from sim.gearbox import Gearbox
from sim.ignition import Ignition
from sim.lock_schedule import LockSchedule
from sim.params import Stepping
from sim.plant import State, step
from sim.tick import Fixed, Here, Load, acting, drive_on, sense

gearbox_advance = Gearbox.advance
schedule_stand_by = LockSchedule.stand_by
ignition_tick = Ignition.tick

# Who commands the clutch in a lane.
BY_RULES, BY_SCHEDULE, BY_NOBODY = 0, 1, 2

# Columns of an event: what starts it, when, from when on, how long (0: for good), what it does.
TRIGGER, AT, AFTER, FOR, KIND, INDEX, VALUE = range(7)
AT_TIME, AT_RISING, AT_FALLING = 0.0, 1.0, 2.0
BAND, IGNITION, THROTTLE, BRAKE, GEAR, LOSE, FORCE = range(7)
WAITING, ACTING, OVER = 0, 1, 2

NO_LIMIT = 99.0
GROUPS = 8

# What the plant provides, in this order; `sim.lanes` places it among a rule set's signals.
SEEN = 15
(NOW, IGNITION_ON, BAND_SWITCH, ROAD_SPEED, ENGINE, TURBINE, OIL, PEDAL, BRAKE_ON, IN_GEAR, SHIFTING, COOLANT,
 GRADE_SEEN, SLIP_SEEN, FUEL_CUT_ON) = range(SEEN)  # fmt: skip  # one row of the same order

# What comes out of the rules: the command's fields, then the row that fired and the bits of what does not hold.
DUTY, STATE, REASON, REFUSAL, WARNINGS, OUT_BAND, ROW, BROKEN = range(8)
APPLIED, IDLE = 2, 0

# What is counted of a lane.
COUNTS = 11
(HELD_STALLS, ENGAGEMENTS, HUNTS, MOST_CLUTCH_J, OIL_PEAK, OIL_END, HELD_TICKS, STALLS, FIRST_STALL_TICK,
 FIRST_HUNT_TICK, MOST_CLUTCH_TICK) = range(COUNTS)  # fmt: skip
FIRST_TICK, BITS = range(2)

HUNT_COUNT, HUNT_TICKS = 3, 3_000
FULL_PEDAL = 0.98
STILL_MS2 = 0.02
"""A target that changes slower than this counts as held."""


def rules_tick(x: Any, k: Any, m: Any, h: Any, out: Any) -> None:
    """Stand for a rule set's tick, which `sim.lanes` compiles in its place."""
    raise NotImplementedError


def place(seen: Any, x: Any) -> None:
    """Stand for the placing of what is seen among a rule set's signals, which `sim.lanes` writes."""
    raise NotImplementedError


def params_of(numbers: Any, tables: Any, lengths: Any) -> Any:
    """Stand for the making of the plant's parameters from arrays, which `sim.lanes` writes."""
    raise NotImplementedError


prange = range
"""Stands for numba's parallel range."""


def next_random(seed: int) -> int:
    """Return the next number of Marsaglia's 32-bit xorshift sequence (Journal of Statistical Software 8, 2003)."""
    seed ^= (seed << 13) & 0xFFFFFFFF
    seed ^= seed >> 17
    return seed ^ ((seed << 5) & 0xFFFFFFFF)


def run_lane(
    ticks: int,
    who: int,
    course: Any,
    course_numbers: Any,
    start: Any,
    params: Any,
    lags: Stepping,
    vehicle: Any,
    driver: Any,
    gearbox: Any,
    schedule: Any,
    ignition: Any,
    events: Any,
    noise: Any,
    seed: int,
    defaults: Any,
    group_of: Any,
    age_of: Any,
    k: Any,
    m: Any,
    h: Any,
    rows: Any,
    refusals: Any,
    broken: Any,
    counts: Any,
    trace: Any,
) -> None:
    """Run one lane for `ticks` ticks; write what came of it into the last five arrays.

    `rows` and `refusals` count what was seen; `broken` takes the first tick at which a property did not hold, and the
    bits of all that did not; `counts` what the plant is asked. `trace` takes a row a tick for as many as it has room:
    the rules' inputs, the command, and the plant's state.
    """
    load = Load(course_numbers[0], course_numbers[1], course_numbers[2])
    fixed = Fixed(vehicle[0], vehicle[1], vehicle[2], vehicle[3], vehicle[4], vehicle[5])
    state = State(
        start[0], start[1], start[2], start[3], start[4], start[5], start[6], start[7], start[8], start[9], start[10]
    )
    x = defaults.copy()
    before = defaults.copy()
    seen = np.zeros(SEEN, np.int64)
    out = np.zeros(8, np.int64)
    status = np.zeros(len(events), np.int64)
    until = np.zeros(len(events))
    lost_since = np.full(GROUPS, -1, np.int64)
    lost = np.zeros(GROUPS, np.bool_)
    starts = np.full(HUNT_COUNT, -HUNT_TICKS, np.int64)
    calm_from = 0
    band, key_on = 0, 1
    throttle_add, brake_add, event_limit = 0.0, 0.0, NO_LIMIT
    last_kmh = 0.0
    ratio = gearbox_advance(gearbox, 0.0)
    clutch_j, most_j, oil_peak = 0.0, 0.0, start[6]
    was_in = False
    noisy = noise.any()

    for tick in range(ticks):
        now_s = tick / TICKS_PER_S
        speed_ms, engine_rads = state.speed_ms, state.engine_rads
        speed_kmh = speed_ms * 3.6
        changed = False
        for at in range(len(events)):
            event = events[at]
            if status[at] == WAITING:
                if event[TRIGGER] == AT_TIME:
                    fires = now_s >= event[AT] - 1e-6
                elif event[TRIGGER] == AT_RISING:
                    fires = last_kmh < event[AT] <= speed_kmh and now_s >= event[AFTER] - 1e-6
                else:
                    fires = last_kmh >= event[AT] > speed_kmh and now_s >= event[AFTER] - 1e-6
                if fires:
                    status[at] = ACTING
                    until[at] = now_s + event[FOR] if event[FOR] > 0.0 else 1e9
                    changed = True
                    if event[KIND] == BAND:
                        band = int(event[VALUE])
                    elif event[KIND] == IGNITION:
                        key_on = int(event[VALUE])
            if status[at] == ACTING and now_s >= until[at] - 1e-6:
                status[at] = OVER
                changed = True
        last_kmh = speed_kmh
        if changed:
            calm_from = tick
            throttle_add, brake_add, event_limit = 0.0, 0.0, NO_LIMIT
            lost[:] = False
            for at in range(len(events)):
                event = events[at]
                if status[at] == ACTING:
                    if event[KIND] == THROTTLE:
                        throttle_add += event[VALUE]
                    elif event[KIND] == BRAKE:
                        brake_add = max(brake_add, event[VALUE])
                    elif event[KIND] == GEAR:
                        event_limit = min(event_limit, event[VALUE])
                    elif event[KIND] == LOSE:
                        lost[int(event[INDEX])] = True

        row = course[tick]
        here = Here(row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8])
        driven = drive_on(
            now_s, state, ratio.end, here, load, fixed, throttle_add, brake_add, event_limit, driver, gearbox, schedule
        )
        as_built = driven.as_built_duty
        reads = sense(tick * 10, key_on == 1, band, state, ratio.end, here.grade_pct, driven, fixed)
        seen[NOW] = reads.now_ms
        seen[IGNITION_ON] = reads.ignition_on
        seen[BAND_SWITCH] = reads.band_switch
        seen[ROAD_SPEED] = reads.road_speed_ckmh
        seen[ENGINE] = reads.engine_rpm
        seen[TURBINE] = reads.turbine_rpm
        seen[OIL] = reads.oil_temp_dc
        seen[PEDAL] = reads.throttle_permille
        seen[BRAKE_ON] = reads.brake_on
        seen[IN_GEAR] = reads.gear
        seen[SHIFTING] = reads.shift_on
        seen[COOLANT] = reads.coolant_temp_dc
        seen[GRADE_SEEN] = reads.grade_permille
        seen[SLIP_SEEN] = reads.tyre_slip_permille
        seen[FUEL_CUT_ON] = reads.fuel_cut_on
        if noisy:
            for at in range(len(noise)):
                if noise[at] > 0:
                    seed = next_random(seed)
                    value = seen[ROAD_SPEED + at] + seed % (2 * noise[at] + 1) - noise[at]
                    seen[ROAD_SPEED + at] = max(value, 0) if ROAD_SPEED + at != OIL else value
            seen[PEDAL] = min(seen[PEDAL], 1_000)
        for at in range(len(x)):
            before[at] = x[at]
            x[at] = defaults[at]
        place(seen, x)
        for at in range(len(events)):
            if status[at] == ACTING and events[at][KIND] == FORCE:
                x[int(events[at][INDEX])] = int(events[at][VALUE])
        for group in range(GROUPS):
            if not lost[group]:
                lost_since[group] = -1
            else:
                if lost_since[group] < 0:
                    lost_since[group] = max(seen[NOW] - 10, 0)
                for at in range(len(x)):
                    if group_of[at] == group and tick > 0:
                        x[at] = before[at]
                if age_of[group] >= 0:
                    x[age_of[group]] = min(seen[NOW] - lost_since[group], AGE_INVALID_MS)

        duty = 0.0
        is_in = False
        if who == BY_RULES:
            rules_tick(x, k, m, h, out)
            is_in = out[STATE] == APPLIED
            duty = as_built
            if out[STATE] != IDLE:
                duty = out[DUTY] / 1e6
                schedule_stand_by(schedule, now_s)
            rows[out[ROW]] += 1
            refusals[out[REFUSAL]] += 1
            if out[BROKEN] != 0:
                if broken[BITS] == 0:
                    broken[FIRST_TICK] = tick
                broken[BITS] |= out[BROKEN]
        elif who == BY_SCHEDULE:
            duty = as_built

        fired = ignition.fires
        ignition_tick(ignition, now_s, key_on, engine_rads, speed_kmh, duty > 0.0 or state.pressure > params.kiss_share)
        if fired and not ignition.fires and key_on:
            counts[STALLS] += 1
            if is_in:
                if counts[HELD_STALLS] == 0:
                    counts[FIRST_STALL_TICK] = tick
                counts[HELD_STALLS] += 1
        if is_in and not was_in:
            counts[ENGAGEMENTS] += 1
            clutch_j = 0.0
            for at in range(HUNT_COUNT - 1):
                starts[at] = starts[at + 1]
            starts[HUNT_COUNT - 1] = tick
            if starts[0] >= calm_from and tick - starts[0] < HUNT_TICKS:
                if counts[HUNTS] == 0:
                    counts[FIRST_HUNT_TICK] = tick
                counts[HUNTS] += 1
        if abs(here.aim_ms2) > STILL_MS2 or driven.shifting or driven.brake > 0.0 or driven.throttle > FULL_PEDAL:
            # Speed, gear or brake are being changed on purpose, or the load is more than the engine can pull at this
            # speed without the converter's torque: that cycle is the load's, and no rule ends it.
            calm_from = tick
        counts[HELD_TICKS] += is_in
        was_in = is_in
        ratio = gearbox_advance(gearbox, TICK_S)
        acts = acting(driven, duty, ratio, here, load, fixed, ignition)
        if tick < len(trace):
            at = 0
            for value in x:
                trace[tick, at] = value
                at += 1
            for value in out:
                trace[tick, at] = value
                at += 1
            for number in state:
                trace[tick, at] = number
                at += 1
        state, books = step(state, acts, params, lags)
        if is_in:
            clutch_j += books.clutch
            if clutch_j > most_j:
                most_j = clutch_j
                counts[MOST_CLUTCH_TICK] = tick
        oil_peak = max(oil_peak, state.oil_c)
    counts[MOST_CLUTCH_J] = most_j
    counts[OIL_PEAK] = oil_peak
    counts[OIL_END] = state.oil_c


def replay(inputs: Any, k: Any, m: Any, h: Any, bits: int) -> int:
    """Return the first tick of a run of inputs at which one of the properties in `bits` does not hold, or -1."""
    out = np.zeros(8, np.int64)
    for tick in range(len(inputs)):
        rules_tick(inputs[tick], k, m, h, out)
        if out[BROKEN] & bits:
            return tick
    return -1


def run_lanes(
    ticks: Any,
    who: Any,
    course_of: Any,
    courses: Any,
    course_numbers: Any,
    starts: Any,
    vehicle_of: Any,
    numbers: Any,
    tables: Any,
    lengths: Any,
    lags: Any,
    vehicles: Any,
    drivers: Any,
    gearboxes: Any,
    schedules: Any,
    ignitions: Any,
    events: Any,
    event_counts: Any,
    noise: Any,
    seeds: Any,
    defaults: Any,
    group_of: Any,
    age_of: Any,
    calibrations: Any,
    memories: Any,
    fields: Any,
    rows: Any,
    refusals: Any,
    broken: Any,
    counts: Any,
    traces: Any,
    trace_of: Any,
    rooms: Any,
) -> None:
    """Run all lanes, each on its course with its vehicle, side by side."""
    for lane in prange(len(who)):
        course = course_of[lane]
        kind = vehicle_of[course]
        params = params_of(numbers[kind], tables[kind], lengths[kind])
        share = lags[kind]
        run_lane(
            ticks[course], who[lane], courses[course], course_numbers[course], starts[course], params,
            Stepping(share[0], share[1], share[2], share[3], share[4]), vehicles[kind], drivers[lane],
            gearboxes[lane], schedules[lane], ignitions[lane], events[lane, : event_counts[lane]], noise[lane],
            seeds[lane], defaults, group_of, age_of, calibrations[lane], memories[lane], fields[lane], rows[lane],
            refusals[lane], broken[lane], counts[lane], traces[trace_of[lane], : rooms[lane]],
        )  # fmt: skip
