"""Everyday scenes in which the light changes or the device itself is carried about."""

from __future__ import annotations

import numpy as np

from capture.emulated.body.timeline import N_POSE, PITCH, ROLL, SHAPE, YAW, Gait, X, Y, Z
from capture.emulated.scenes.plan import Plan, pose

__all__ = ["draw_stride", "empty", "light", "pick_up", "pocket", "walk"]


def light(plan: Plan, begin_s: float, end_s: float) -> None:
    """Switch lamps, pull a curtain, let clouds pass; the hand rests in sight or out of it."""
    hand, now_s = plan.players["hand"].track, begin_s + 1.0
    hand.wait(begin_s)
    while now_s < end_s - 4.0:
        hand.wait(now_s)
        if plan.chance(0.35):
            at = [plan.rng.normal(0.0, 40.0), plan.rng.normal(0.0, 40.0), plan.u(90.0, 260.0)]
            plan.send(hand, pose(at, roll=plan.u(-0.3, 0.3), curl=plan.rng.uniform(0.0, 0.5, 5)))
        elif plan.chance(0.5):
            plan.send(hand, plan.away())
        now_s += plan.u(0.2, 2.0)
        _change_light(plan, now_s)
        now_s += plan.u(1.0, 4.5)
    hand.wait(end_s - 3.0)
    plan.send(hand, plan.away())
    _restore_light(plan, end_s - 1.0)


def empty(plan: Plan, begin_s: float, end_s: float) -> None:
    """Leave the device alone: no hand, only light that changes now and then."""
    now_s = begin_s + plan.u(1.0, 6.0)
    while now_s < end_s - 3.0:
        _change_light(plan, now_s)
        now_s += plan.u(2.0, 10.0)
    _restore_light(plan, end_s - 1.0)


def _change_light(plan: Plan, now_s: float) -> None:
    daylight, lamp, ceiling = plan.daylight, plan.lamp, plan.ceiling
    what = int(plan.rng.integers(5))
    if what == 0:  # a filament glows up or dies away within about 0.1 s; assumed
        lamp.go(now_s, plan.u(0.06, 0.2), 0.0 if lamp.value > 0.3 else plan.u(0.6, 1.0))
    elif what == 1:
        ceiling.go(now_s, 0.01, 0.0 if ceiling.value > 0.3 else 1.0)
    elif what == 2:  # a cloud comes or goes
        daylight.go(now_s, plan.u(1.0, 6.0), plan.u(0.15, 1.0))
    elif what == 3:  # a curtain
        daylight.go(now_s, plan.u(0.6, 1.8), plan.u(0.05, 1.0))
    else:  # somebody or something passes between window and table
        before = daylight.value
        daylight.go(now_s, plan.u(0.15, 0.6), before * plan.u(0.3, 0.8))
        daylight.go(now_s + plan.u(0.8, 1.5), plan.u(0.15, 0.6), before)


def _restore_light(plan: Plan, now_s: float) -> None:
    """Put most of the light back that was taken, so that a session does not end in the dark."""
    for level in (plan.daylight, plan.lamp, plan.ceiling):
        if level.value < 0.3 and plan.chance(0.7):
            level.go(now_s, 0.15, 1.0)


def _grip(plan: Plan) -> np.ndarray:
    """Draw where the hand holds the device: by an edge, its fingers hardly above the face."""
    edge = plan.u(-0.6, 0.6) + (0.0 if plan.side > 0 else np.pi)
    out = plan.u(62.0, 85.0)
    return np.array([out * np.cos(edge), out * np.sin(edge), plan.u(0.0, 16.0)])


def _move_device(plan: Plan, to: np.ndarray, grip: np.ndarray, *, lift_mm: float = 0.0) -> None:
    """Move the device, and the hand that holds it, to a pose."""
    hand, device = plan.players["hand"].track, plan.device
    begin_s, target = hand.free_s, hand.target
    target[:3] = to[:3] + grip
    duration = plan.send(hand, target, lift_mm=lift_mm)
    device.wait(begin_s)
    device.go(to, duration, lift_mm=lift_mm)


def _take(plan: Plan, grip: np.ndarray) -> None:
    """Reach down to the device, take hold of it and lift it off the table."""
    hand, device = plan.players["hand"].track, plan.device
    hold = pose(device.target[:3] + grip, yaw=-plan.side * plan.u(0.5, 1.2),
                roll=plan.side * plan.u(0.0, 0.6), curl=plan.rng.uniform(0.45, 0.65))  # fmt: skip
    plan.send(hand, hold, lift_mm=plan.u(10.0, 60.0))
    hand.free_s += plan.u(0.1, 0.5)
    plan.held.go(hand.free_s, 0.3, 1.0)


def _put_down(plan: Plan, grip: np.ndarray) -> None:
    """Lay the device down where it was, let go of it and take the hand away."""
    hand = plan.players["hand"].track
    _move_device(plan, np.zeros(N_POSE), grip, lift_mm=plan.u(10.0, 50.0))
    plan.held.go(hand.free_s - 0.2, 0.2, 0.0)
    hand.free_s += plan.u(0.1, 0.6)
    plan.send(hand, plan.away(), lift_mm=plan.u(0.0, 60.0))


def _looked_at(plan: Plan) -> np.ndarray:
    """Draw how a device is held in front of the face."""
    at = [plan.rng.normal(0.0, 40.0), plan.u(-150.0, -40.0), plan.u(120.0, 260.0)]
    return pose(at, pitch=plan.u(0.3, 0.9), yaw=plan.rng.normal(0.0, 0.12),
                roll=plan.rng.normal(0.0, 0.15))  # fmt: skip


def pick_up(plan: Plan, begin_s: float, end_s: float) -> None:
    """Pick the device up, look at it, turn it, touch it, lay it down, more than once."""
    hand, other = plan.players["hand"].track, plan.players["other"].track
    hand.wait(begin_s + plan.u(0.2, 1.0))
    while hand.free_s < end_s - 9.0:
        grip = _grip(plan)
        _take(plan, grip)
        _move_device(plan, _looked_at(plan), grip)
        for _ in range(int(plan.rng.integers(1, 4))):
            hand.free_s += plan.u(0.3, 2.5)
            what = int(plan.rng.integers(3))
            if what == 0:  # shift it
                _move_device(plan, _looked_at(plan), grip)
            elif what == 1:  # turn it over or to the side, to see its back
                turned = plan.device.target
                turned[YAW] += plan.side * plan.u(0.8, 3.0)
                _move_device(plan, turned, grip)
                hand.free_s += plan.u(0.3, 1.5)
                _move_device(plan, _looked_at(plan), grip)
            else:  # the other hand points at it or wipes over it
                other.wait(hand.free_s)
                face = plan.device.target[:3] + plan.rng.uniform(
                    [-25.0, -60.0, 35.0], [25.0, -60.0, 70.0]
                )
                curl = [0.5, plan.u(0.0, 0.2), 0.8, 0.9, 0.9]
                plan.send(other, pose(face, curl=curl, pitch=plan.u(-0.2, 0.5)))
                swing = np.zeros(N_POSE)
                swing[[X, Y, Z]] = plan.u(0.0, 25.0), plan.u(0.0, 20.0), plan.u(2.0, 12.0)
                burst = plan.u(0.5, 2.5)
                other.go(other.target, burst, swing=swing, swings=burst * plan.u(0.6, 1.8))
                plan.send(other, plan.away(-plan.side))
                hand.wait(other.free_s - 0.5)
            if hand.free_s > end_s - 8.0:
                break
        _put_down(plan, grip)
        hand.free_s += plan.u(0.5, 3.0)


def draw_stride(rng: np.random.Generator, begin_s: float, end_s: float, large: np.ndarray) -> Gait:
    """Draw a gait: steps of 2.0 Hz with a deviation of 0.13 Hz from person to person.

    MacDougall and Moore, "Marching to the beat of the same drummer", J. Appl. Physiol. 99(3),
    2005. A stride is two steps.

    Parameters
    ----------
    rng : Generator
        For pace, sizes and phases.
    begin_s, end_s : float
        When it is there.
    large : float64 array, shape (n_pose,)
        Usual amplitude of the stride in each value of the pose; harmonics are smaller.
    """
    harmonics = np.array([1.0, 0.8, 0.25, 0.2])[:, None]
    sizes, phases = harmonics * large, np.zeros((4, N_POSE))
    swaying = slice(0, SHAPE.start)  # walking shapes no hand
    sizes[:, swaying] *= rng.uniform(0.5, 1.2, (4, SHAPE.start))
    steps_hz = float(np.clip(rng.normal(2.0, 0.13), 1.6, 2.4))
    phases[:, swaying] = rng.uniform(0.0, 2 * np.pi, (4, SHAPE.start))
    return Gait(begin_s, end_s, 0.5 * steps_hz, sizes, phases)


def walk(plan: Plan, begin_s: float, end_s: float) -> None:
    """Walk about with the device in the hand, at the wrist or before the chest."""
    hand, device, side = plan.players["hand"].track, plan.device, plan.side
    hand.wait(begin_s + plan.u(0.2, 1.0))
    grip = _grip(plan)
    _take(plan, grip)
    how, large = int(plan.rng.integers(3)), np.zeros(N_POSE)
    if how == 0:  # carried in front, half looked at
        carried = _looked_at(plan)
        large[:6] = [8.0, 6.0, 10.0, 0.03, 0.05, 0.05]
    elif how == 1:  # at the wrist of a swinging arm: looks outwards, forwards or at the thigh
        hip = [side * plan.u(200.0, 260.0), plan.u(-440.0, -360.0), plan.u(-380.0, -280.0)]
        looks = side * float(plan.rng.choice([1.4, -1.4, 0.4])) + plan.rng.normal(0.0, 0.25)
        carried = pose(hip, yaw=looks, pitch=plan.rng.normal(0.0, 0.3))
        large[:6] = [12.0, 130.0, 35.0, 0.1, 0.35, 0.12]
        beside = pose([side * plan.u(80.0, 120.0), hip[1] + plan.u(-30.0, 30.0), -450.0])
        _go_for_now(plan, "thigh", beside, hand.free_s, end_s - 5.0)
    else:  # on a ribbon before the chest: looks forwards
        chest = [plan.rng.normal(0.0, 20.0), -340.0, plan.u(60.0, 220.0)]
        upright = -np.pi / 2.0 + plan.u(-0.2, 0.3)
        carried = pose(chest, pitch=upright, yaw=plan.rng.normal(0.0, 0.15))
        large[:6] = [10.0, 8.0, 6.0, 0.12, 0.08, 0.08]
    _move_device(plan, carried, grip)
    start_s = hand.free_s
    stop_s = max(end_s - 5.0, start_s + 5.0)
    _leave_table(plan, start_s, stop_s)
    gait = draw_stride(plan.rng, start_s, stop_s, large)
    plan.gaits.append(gait)
    if plan.chance(0.7):  # indoors, under lamps
        plan.passing.go(start_s, 1.0, 1.0)
        plan.passing.go(stop_s - 1.0, 1.0, 0.0)
    plan.lights.shade.go(start_s, 2.0, plan.u(0.2, 1.0))
    if how == 0:  # a free hand swings or points now and then
        while hand.free_s < stop_s - 4.0:
            hand.free_s += plan.u(2.0, 6.0)
            _move_device(plan, _looked_at(plan), grip)
    else:
        plan.send(hand, plan.away())
    hand.wait(stop_s)
    plan.lights.shade.go(stop_s - 1.0, 2.0, 1.0)
    held = device.target
    held[:3] += grip
    plan.send(hand, held)
    _put_down(plan, grip)


def _go_for_now(plan: Plan, name: str, to: np.ndarray, begin_s: float, end_s: float) -> None:
    """Move a player somewhere and, at the end, back: the walker's frame takes the room's place."""
    track = plan.players[name].track
    here = track.target
    track.wait(begin_s)
    track.go(to, 2.0)
    track.wait(end_s - 2.0)
    track.go(here, 2.0)


def _leave_table(plan: Plan, begin_s: float, end_s: float) -> None:
    _go_for_now(plan, "table", pose([0.0, -2500.0, -900.0]), begin_s, end_s)


def _snug(plan: Plan) -> float:
    """Draw how far the cloth is: tight trousers to a loose coat or a bag."""
    return float(np.exp(plan.u(np.log(5.0), np.log(90.0))))


def pocket(plan: Plan, begin_s: float, end_s: float) -> None:
    """Put the device into a pocket, sit, stand and walk with it there, take it out."""
    hand, side = plan.players["hand"].track, plan.side
    hand.wait(begin_s + plan.u(0.2, 1.0))
    grip = _grip(plan)
    _take(plan, grip)
    _move_device(plan, _looked_at(plan), grip)
    at = [side * plan.u(150.0, 200.0), plan.u(-420.0, -340.0), plan.u(-260.0, -150.0)]
    inside = pose(at, yaw=side * plan.u(-1.6, 1.6), pitch=plan.u(-0.4, 0.4))
    _move_device(plan, inside, grip)
    start_s = hand.free_s
    stop_s = max(end_s - 5.0, start_s + 5.0)
    depth, drawn, clock, shade = (
        plan.cloth_depth_mm,
        plan.cloth_drawn,
        plan.cloth_s,
        plan.lights.shade,
    )
    depth.go(start_s - 0.9, 0.01, plan.u(30.0, 60.0))
    drawn.go(start_s - 0.7, plan.u(0.3, 0.7), 1.0)
    depth.go(start_s, 0.5, _snug(plan))
    shade.go(start_s - 0.5, 0.6, float(np.exp(plan.u(np.log(3e-4), np.log(0.05)))))
    plan.held.go(start_s, 0.5, 0.3)
    plan.send(hand, plan.away())
    _leave_table(plan, start_s, stop_s)
    now_s = start_s + 0.5
    while now_s < stop_s - 2.5:
        stretch_s = min(plan.u(3.0, 10.0), stop_s - now_s - 0.5)
        if plan.chance(0.6):  # walking: the cloth stirs at the pace of the steps
            large = np.zeros(N_POSE)
            large[[ROLL, PITCH, YAW]] = 0.05, 0.2, 0.08
            gait = draw_stride(plan.rng, now_s, now_s + stretch_s, large)
            plan.gaits.append(gait)
            clock.go(now_s, stretch_s, clock.value + gait.stride_hz * stretch_s)
        else:  # sitting: it shifts now and then
            depth.go(now_s, plan.u(0.3, 1.0), _snug(plan))
            clock.go(now_s, plan.u(0.3, 1.5), clock.value + plan.u(0.1, 0.6))
        now_s += stretch_s
    hand.wait(stop_s)
    reached = inside.copy()
    reached[:3] += grip
    plan.send(hand, reached)
    plan.held.go(stop_s, 0.3, 1.0)
    out_s = hand.free_s
    depth.go(out_s, 0.3, plan.u(30.0, 60.0))
    drawn.go(out_s + 0.2, plan.u(0.3, 0.7), 0.0)
    shade.go(out_s + 0.1, 0.6, 1.0)
    _move_device(plan, _looked_at(plan), grip)
    _put_down(plan, grip)
