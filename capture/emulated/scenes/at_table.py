"""Everyday scenes at a table: the hands busy nearby, other people, and things that lie about."""

from __future__ import annotations

import numpy as np

from capture.emulated.body.timeline import CURL, N_POSE, PITCH, SPREAD, Track, X, Y, Z
from capture.emulated.scenes.plan import Plan, pose

__all__ = ["arrive", "away", "fidget", "objects", "reach", "rest", "talk", "type_", "visitor"]


def rest(plan: Plan, begin_s: float, end_s: float) -> None:
    """Sit still; the hand lies out of sight, or hovers or leans somewhere in it."""
    hand = plan.players["hand"].track
    hand.wait(begin_s)
    while hand.free_s < end_s - 4.0:
        if plan.chance(0.5):
            at = [plan.rng.normal(0.0, 50.0), plan.rng.normal(-20.0, 50.0), plan.u(70.0, 280.0)]
            attitude = {
                "roll": plan.u(-0.6, 0.6),
                "pitch": plan.u(-0.4, 0.4),
                "yaw": plan.u(-0.8, 0.8),
            }
            plan.send(hand, pose(at, curl=plan.rng.uniform(0.0, 0.6, 5), **attitude))
        else:
            plan.send(hand, plan.away())
        hand.wait(min(hand.free_s + plan.u(3.0, 10.0), end_s - 1.5))
    plan.send(hand, plan.away())


def arrive(plan: Plan, begin_s: float, end_s: float) -> None:
    """Bring the hand from out of sight over the sensor, stay until the cue ends, take it away."""
    hand, person = plan.players["hand"].track, plan.person
    hand.wait(begin_s + float(np.clip(person.reaction_s + plan.rng.normal(0.0, 0.04), 0.12, 0.4)))
    at = [plan.rng.normal(0.0, 15.0), plan.rng.normal(0.0, 15.0), plan.u(80.0, 300.0)]
    over = pose(at, roll=person.roll_rad, pitch=person.pitch_rad, yaw=person.yaw_rad,
                curl=np.clip(person.curl + plan.rng.normal(0.0, 0.05, 5), 0.0, 0.6),
                spread=person.spread_rad)  # fmt: skip
    plan.send(hand, over, lift_mm=plan.u(0.0, 40.0))
    hand.wait(end_s)
    plan.send(hand, plan.away())


def away(plan: Plan, begin_s: float, end_s: float) -> None:
    """Keep the hand out of sight, where it may shift."""
    hand = plan.players["hand"].track
    hand.wait(begin_s + 0.3)
    if plan.chance(0.4) and hand.free_s < end_s - 1.0:
        hand.go(plan.away(), plan.u(0.4, 0.9))


def type_(plan: Plan, begin_s: float, end_s: float) -> None:
    """Type beside the device, in bursts, with pauses and trips to a mouse."""
    angle = plan.u(0.15, np.pi - 0.15)
    keys = np.array([np.cos(angle), np.sin(angle), 0.0]) * plan.u(60.0, 170.0)
    keys[Z] = plan.u(35.0, 85.0)
    for name, side in (("hand", plan.side), ("other", -plan.side)):
        track = plan.players[name].track
        track.wait(begin_s + plan.u(0.2, 1.0))
        attitude = {"roll": side * plan.u(0.05, 0.4), "pitch": plan.u(-0.25, 0.05)}
        speed_hz = plan.u(1.5, 5.0)
        while track.free_s < end_s - 4.5:
            if name == "hand" and track.free_s < end_s - 8.0 and plan.chance(0.12):
                mouse = keys + np.array(
                    [plan.side * plan.u(150.0, 260.0), plan.u(-40.0, 40.0), -10.0]
                )
                plan.send(track, pose(mouse, **attitude), lift_mm=plan.u(0.0, 30.0))
                track.free_s += plan.u(0.5, 2.0)
            at = keys + plan.rng.normal([side * plan.u(35.0, 80.0), 0.0, 0.0], [14.0, 9.0, 4.0])
            bent = plan.rng.uniform(0.25, 0.5, 5)
            plan.send(track, pose(at, curl=bent, **attitude), hurry=0.6)
            swing = np.zeros(N_POSE)
            swing[CURL] = plan.rng.uniform(-0.12, 0.18, 5) * (plan.rng.uniform(size=5) < 0.6)
            swing[Z] = plan.u(1.0, 5.0)
            burst = plan.u(0.6, 3.0)
            track.go(track.target, burst, swing=swing, swings=burst * speed_hz)
            if plan.chance(0.25):
                track.wait(min(track.free_s + plan.u(0.4, 3.0), end_s - 1.5))
        plan.send(track, plan.away(side))


def reach(plan: Plan, begin_s: float, end_s: float) -> None:
    """Reach past or over the device for a cup, drink, set it down again."""
    hand, cup = plan.players["hand"].track, plan.players["cup"].track
    hand.wait(begin_s)
    cup.wait(begin_s)
    spot = cup.target[:3]
    while hand.free_s < end_s - 9.0:
        grip = np.array([plan.side * plan.u(45.0, 60.0), plan.u(-50.0, -20.0), plan.u(5.0, 30.0)])
        attitude = {"roll": plan.side * plan.u(0.1, 0.8), "yaw": -plan.side * plan.u(0.5, 1.3)}
        taken = pose(cup.target[:3] + grip, curl=plan.rng.uniform(0.4, 0.6), **attitude)
        if plan.chance(0.5):  # not the straight way, but over the device
            over = [plan.rng.normal(0.0, 50.0), plan.rng.normal(0.0, 50.0), plan.u(60.0, 220.0)]
            plan.send(hand, pose(over, curl=plan.rng.uniform(0.1, 0.5, 5), **attitude), hurry=0.8)
        plan.send(hand, taken, lift_mm=plan.u(0.0, 120.0))
        hand.free_s += plan.u(0.1, 0.5)
        if plan.chance(0.75):
            mouth = plan.players["head"].track.target[:3] + np.array([0.0, 120.0, -40.0])
            plan.carry("cup", pose(mouth, pitch=np.pi / 2.0 - 0.4), grip, lift_mm=20.0)
            hand.free_s += plan.u(0.8, 2.5)
        angle, far = plan.u(-0.3, np.pi + 0.3), plan.u(140.0, 300.0)
        spot = np.array([far * np.cos(angle), far * np.sin(angle), 42.0])
        plan.carry("cup", pose(spot, pitch=np.pi / 2.0), grip, lift_mm=plan.u(70.0, 150.0))
        plan.lay("cup")
        plan.send(hand, plan.away(), lift_mm=plan.u(0.0, 90.0))
        hand.free_s += plan.u(0.5, 4.0)
    plan.send(hand, plan.away())


def _gesticulate(plan: Plan, name: str, side: float, begin_s: float, end_s: float) -> None:
    """Beats and strokes between places in front of the body, with holds and pauses.

    Hands talk some 25 cm before the chest: most strokes pass between body and device, some over it.
    """
    track = plan.players[name].track
    track.wait(begin_s)
    liveliness = plan.u(0.6, 1.3)
    while track.free_s < end_s - 3.5:
        middle = np.array(
            [side * plan.u(-30.0, 160.0), plan.u(-260.0, -10.0), plan.u(120.0, 330.0)]
        )
        for _ in range(int(plan.rng.integers(2, 7))):
            at = middle + plan.rng.normal(0.0, [70.0, 45.0, 45.0]) * liveliness
            at[Z] = max(at[Z], 55.0)
            roll, pitch, yaw = plan.rng.normal([0.3, 0.0, -0.5], [0.35, 0.35, 0.6])
            curl = plan.rng.uniform(0.0, 0.8, 5)
            target = pose(at, roll=side * roll, pitch=pitch, yaw=side * yaw, curl=curl)
            target[SPREAD] = plan.u(0.02, 0.25)
            swing = np.zeros(N_POSE)
            if plan.chance(0.3):  # beats: up and down with the stress of the words
                swing[[Z, PITCH]] = plan.u(10.0, 35.0), plan.u(0.05, 0.25)
            stroke_s = plan.u(0.28, 0.9) / liveliness
            track.go(target, stroke_s, lift_mm=plan.u(-20.0, 40.0), swing=swing,
                     swings=plan.u(0.5, 2.0))  # fmt: skip
            track.free_s += plan.u(0.0, 0.7)
            if track.free_s > end_s - 3.5:
                break
        if plan.chance(0.5):
            plan.send(track, plan.away(side))
            track.wait(min(track.free_s + plan.u(0.5, 4.0), end_s - 1.0))
    plan.send(track, plan.away(side))


def talk(plan: Plan, begin_s: float, end_s: float) -> None:
    """Tell a story and gesticulate above and beside the device."""
    _gesticulate(plan, "hand", plan.side, begin_s, end_s)
    if plan.chance(0.6):
        _gesticulate(plan, "other", -plan.side, begin_s + plan.u(0.0, 4.0), end_s)


def _scratch(plan: Plan, track: Track, spot: np.ndarray) -> None:
    swing = np.zeros(N_POSE)
    swing[[X, Y, PITCH]] = plan.u(0.0, 8.0), plan.u(4.0, 15.0), plan.u(0.02, 0.15)
    plan.send(track, pose(spot, curl=plan.rng.uniform(0.3, 0.7, 5), roll=plan.side * plan.u(0, 1)))
    for _ in range(int(plan.rng.integers(1, 4))):
        burst = plan.u(0.4, 1.5)
        track.go(track.target, burst, swing=swing, swings=burst * plan.u(2.5, 5.0))
        track.free_s += plan.u(0.0, 0.4)


def fidget(plan: Plan, begin_s: float, end_s: float) -> None:
    """Scratch, rub the hands, push back the hair, drum, pass a hand over the table."""
    hand, other = plan.players["hand"].track, plan.players["other"].track
    hand.wait(begin_s)
    other.wait(begin_s)
    side = plan.side
    while hand.free_s < end_s - 7.0:
        what = int(plan.rng.integers(5))
        if what == 0:  # scratch the other forearm, in front of the body
            spot = np.array([-side * plan.u(0, 120), plan.u(-150.0, 20.0), plan.u(60.0, 200.0)])
            other.wait(hand.free_s)
            plan.send(other, pose(spot - [side * 60.0, 40.0, 45.0], roll=-side * 0.8))
            _scratch(plan, hand, spot)
            other.wait(hand.free_s)
            plan.send(other, plan.away(-side))
        elif what == 1:  # rub the hands
            spot = np.array([plan.u(-60.0, 60.0), plan.u(-140.0, -10.0), plan.u(80.0, 220.0)])
            start_s = max(hand.free_s, other.free_s)
            burst, rate = plan.u(1.0, 3.0), plan.u(1.5, 3.5)
            for track, way in ((hand, side), (other, -side)):
                track.wait(start_s)
                swing = np.zeros(N_POSE)
                swing[[Y, Z]] = way * plan.u(10.0, 25.0), way * plan.u(2.0, 10.0)
                track.go(
                    pose(spot + np.array([way * 22.0, 0, 0]), yaw=-way * 1.3, roll=way * 0.3), 0.8
                )
                track.go(track.target, burst, swing=swing, swings=burst * rate)
                plan.send(track, plan.away(way))
        elif what == 2:  # hair or face
            face = plan.players["head"].track.target[:3]
            face = face + np.array([side * 60.0, 90.0, plan.u(-60.0, 80.0)])
            plan.send(hand, pose(face, pitch=plan.u(0.3, 0.9), roll=side * plan.u(0.0, 0.6)))
            hand.free_s += plan.u(0.3, 1.5)
        elif what == 3:  # drum on the table beside the device
            angle = plan.u(-0.5, np.pi + 0.5)
            far = plan.u(80.0, 150.0)
            spot = np.array([far * np.cos(angle), far * np.sin(angle), plan.u(45.0, 75.0)])
            plan.send(hand, pose(spot, curl=0.4))
            swing = np.zeros(N_POSE)
            swing[CURL] = np.array([0.0, 0.2, 0.2, 0.2, 0.2]) * plan.rng.uniform(-1.0, 1.0, 5)
            burst = plan.u(1.0, 4.0)
            hand.go(hand.target, burst, swing=swing, swings=burst * plan.u(2.0, 5.0))
        else:  # pass over the table, wiping or pointing
            start = [side * plan.u(150.0, 300.0), plan.u(-80.0, 150.0), plan.u(60.0, 240.0)]
            end = [-side * plan.u(80.0, 250.0), plan.u(-80.0, 200.0), plan.u(60.0, 240.0)]
            curl = plan.rng.uniform(0.0, 0.7, 5)
            plan.send(hand, pose(start, curl=curl, yaw=plan.u(-0.5, 0.5)))
            plan.send(hand, pose(end, curl=curl, yaw=plan.u(-0.5, 0.5)), lift_mm=plan.u(-30, 60))
            hand.free_s += plan.u(0.1, 1.0)
        plan.send(hand, plan.away())
        hand.free_s += plan.u(0.3, 3.0)
    plan.send(hand, plan.away())


def objects(plan: Plan, begin_s: float, end_s: float) -> None:
    """Move a sheet of paper, a telephone and something of metal over and about the device."""
    hand = plan.players["hand"].track
    hand.wait(begin_s)
    while hand.free_s < end_s - 9.0:
        name = str(plan.rng.choice(["paper", "phone", "can"]))
        thing, side = plan.players[name].track, plan.side
        grip = np.array([side * plan.u(40.0, 75.0), plan.u(-60.0, 0.0), plan.u(-10.0, 15.0)])
        hold = {"yaw": -side * plan.u(0.6, 1.5), "roll": side * plan.u(0.2, 1.0)}
        thing.wait(hand.free_s)
        plan.send(hand, pose(thing.target[:3] + grip, curl=0.55, **hold), lift_mm=plan.u(0, 80))
        for _ in range(int(plan.rng.integers(1, 4))):
            at = [plan.rng.normal(0.0, 60.0), plan.rng.normal(0.0, 60.0), plan.u(70.0, 260.0)]
            tilt = plan.rng.normal(0.0, 0.3, 2) if name != "can" else plan.rng.uniform(-1.5, 1.5, 2)
            over = pose(at, roll=plan.u(-1.5, 1.5), pitch=tilt[0], yaw=tilt[1])
            plan.carry(name, over, grip, lift_mm=plan.u(0.0, 40.0))
            hand.free_s += plan.u(0.2, 2.5)
            if hand.free_s > end_s - 6.0:
                break
        angle = plan.u(0.0, np.pi)
        away = pose([330.0 * np.cos(angle), 330.0 * np.sin(angle), 30.0], roll=plan.u(-1.5, 1.5))
        plan.carry(name, away, grip, lift_mm=plan.u(20.0, 90.0))
        plan.lay(name)
        plan.send(hand, plan.away())
        if hand.free_s < end_s - 6.0 and plan.chance(0.5):
            _cover(plan, hand, end_s)
        hand.free_s += plan.u(0.5, 3.0)
    plan.send(hand, plan.away())


def _cover(plan: Plan, hand: Track, end_s: float) -> None:
    """Push a sheet over the device, leave it there, take it away."""
    begin_s, drawn, depth = hand.free_s + 0.3, plan.sheet_drawn, plan.sheet_depth_mm
    stay_s = min(plan.u(1.5, 6.0), max(end_s - begin_s - 3.0, 0.5))
    depth.go(begin_s - 0.2, 0.01, plan.u(25.0, 60.0))
    drawn.go(begin_s, plan.u(0.4, 1.0), 1.0)
    depth.go(begin_s + 1.0, plan.u(0.2, 0.6), plan.u(5.0, 12.0))
    plan.sheet_s.go(begin_s, stay_s, plan.sheet_s.value + plan.u(0.5, 2.0))
    depth.go(begin_s + stay_s, 0.4, plan.u(25.0, 60.0))
    drawn.go(begin_s + stay_s, plan.u(0.5, 1.0), 0.0)
    hand.wait(begin_s + stay_s + 1.5)


def visitor(plan: Plan, begin_s: float, end_s: float) -> None:
    """Somebody walks up, takes the light, talks with their hands, reaches over, leaves again."""
    body, arm = plan.players["visitor_torso"].track, plan.players["visitor"].track
    body.wait(begin_s + plan.u(0.5, 3.0))
    near = pose([plan.u(-200.0, 200.0), plan.u(450.0, 650.0), plan.u(150.0, 350.0)])
    body.go(near, plan.u(2.0, 3.5))
    shade = plan.lights.shade
    shade.go(body.free_s - 1.5, 1.2, plan.u(0.35, 0.9))
    arm.wait(body.free_s)
    while arm.free_s < end_s - 6.0:
        at = np.array([plan.rng.normal(0, 90.0), plan.u(20.0, 330.0), plan.u(80.0, 320.0)])
        for _ in range(int(plan.rng.integers(1, 5))):
            turn = np.pi + plan.rng.normal(0.0, 0.35)
            target = pose(at + plan.rng.normal(0.0, [60.0, 50.0, 35.0]) * [1, 1, 0.5], roll=turn,
                          pitch=plan.rng.normal(0.0, 0.3), yaw=plan.rng.normal(0.0, 0.6),
                          curl=plan.rng.uniform(0.0, 0.8, 5))  # fmt: skip
            target[Z] = max(target[Z], 55.0)
            plan.send(arm, target, hurry=0.8)
            arm.free_s += plan.u(0.0, 1.0)
            if arm.free_s > end_s - 4.0:
                break
        if plan.chance(0.6):
            plan.send(arm, plan.visitor_away)
            arm.free_s += plan.u(0.5, 3.0)
    plan.send(arm, plan.visitor_away)
    shade.go(arm.free_s, plan.u(0.8, 2.0), 1.0)
    body.wait(arm.free_s)
    body.go(plan.visitor_far, plan.u(2.0, 3.5))
    hand = plan.players["hand"].track
    hand.wait(begin_s)
    if plan.chance(0.6):  # the participant answers with a hand now and then
        _gesticulate(plan, "hand", plan.side, begin_s + plan.u(3.0, 8.0), end_s - plan.u(0.0, 8.0))
    plan.send(hand, plan.away())
