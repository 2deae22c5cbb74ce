"""What the participant's window is told: what to do, when and how far it is, and nothing else."""

from __future__ import annotations

from collections.abc import AsyncGenerator

__all__ = ["for_participant", "participant_state"]

_KEPT = ("state", "instruction", "prompts")


def participant_state(state: dict[str, object]) -> dict[str, object]:
    """Return the part of the booth's state that the participant sees.

    Parameters
    ----------
    state : dict
        As of :attr:`capture.booth.recording.desk.Desk.state`.

    Returns
    -------
    dict
        ``state``; ``instruction`` and ``prompts`` of the script; ``moment`` where one stands, with
        ``practice`` true in the practice round; ``n_done`` of ``n_cues``, and the ``share`` of the
        time that is behind, 0 to 1.
    """
    told: dict[str, object] = {key: state[key] for key in _KEPT if key in state}
    if state["state"] == "checking" and state["moment"] is not None:
        n_done, n_cues = state["n_practised"], state["n_practice"]
        told |= {"moment": state["moment"], "practice": True, "n_done": n_done, "n_cues": n_cues}
        told["share"] = float(str(n_done)) / max(1.0, float(str(n_cues)))
    progress = state.get("progress")
    if state["state"] == "recording" and isinstance(progress, dict):
        told |= {
            "moment": progress["moment"],
            "practice": False,
            "n_done": progress["n_cues_done"],
            "n_cues": state["n_cues"],
            "share": min(1.0, progress["time_s"] / max(progress["total_s"], 1e-3)),
        }
    return told


async def for_participant(
    messages: AsyncGenerator[bytes | dict[str, object]],
) -> AsyncGenerator[bytes | dict[str, object]]:
    """Yield what the participant sees of each state; readouts are left out."""
    try:
        async for message in messages:
            if isinstance(message, dict):
                yield participant_state(message)
    finally:
        await messages.aclose()
