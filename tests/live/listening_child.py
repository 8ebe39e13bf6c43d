"""Listens with the real Microphone until told enough; run by test_microphone.py as a child.

Prints one line per event: "rate R", "ready" at the first block, "lost", "number N" (what PortAudio
calls the input that was opened again), "back". Leaves the blocks in an .npz: ``samples`` end to
end, ``starts``, ``sizes`` and ``gaps``, one entry per block.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import time

import numpy as np

from pitchbench.sound import microphone
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.source import Block


def say(text: str) -> None:
    print(text, flush=True)


def stall(seconds: float, *, hold: bool) -> None:
    """Do nothing for a while; if ``hold``, as code does that keeps the interpreter to itself, so
    that PortAudio's callback cannot run either."""
    if not hold:
        time.sleep(seconds)
        return
    before = sys.getswitchinterval()
    sys.setswitchinterval(2.0 * seconds)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        pass
    sys.setswitchinterval(before)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("out")
    options.add_argument("--until-s", type=float, required=True, help="on the stream's time line")
    options.add_argument("--rate", type=int, default=48_000)
    options.add_argument("--block-size", type=int, default=512)
    options.add_argument("--record")
    options.add_argument("--queue-s", type=float)
    options.add_argument("--stall-at-s", type=float, default=float("inf"))
    options.add_argument("--stall-s", type=float, default=0.0)
    options.add_argument("--hold", action="store_true", help="let no thread run while it stalls")
    options.add_argument("--device")
    asked = options.parse_args()
    if asked.queue_s:
        microphone.QUEUE_S = asked.queue_s  # a shorter queue, so that the test need not stall long

    mic = microphone.Microphone(asked.device, rate_hz=asked.rate, block_size=asked.block_size)
    say(f"rate {mic.rate_hz}")
    source = Recorder(mic, asked.record) if asked.record else mic
    heard: list[Block] = []
    state = "starting"
    end = asked.until_s * mic.rate_hz
    while state != "done":
        try:
            with contextlib.closing(source.blocks()) as blocks:
                for block in blocks:
                    if state != "listening":
                        if state == "lost":
                            say(f"number {mic.device.number}")
                        say("ready" if state == "starting" else "back")
                        print("words to stderr while listening", file=sys.stderr)
                        os.write(2, b"words of C code while listening\n")
                        state = "listening"
                    heard.append(block)
                    if block.start >= asked.stall_at_s * mic.rate_hz:
                        asked.stall_at_s = float("inf")
                        stall(asked.stall_s, hold=asked.hold)
                    if block.start + len(block.samples) >= end:
                        state = "done"
                        break
        except microphone.InputLostError:
            if state == "listening":
                say("lost")
            state = "lost"
            time.sleep(0.2)
    print("words to stderr afterwards", file=sys.stderr)
    np.savez(
        asked.out,
        samples=np.concatenate([block.samples for block in heard]),
        starts=[block.start for block in heard],
        sizes=[len(block.samples) for block in heard],
        gaps=[block.gap for block in heard],
    )


if __name__ == "__main__":
    main()
