"""If this fails, an emulated instruction takes another time than the chip's."""

from __future__ import annotations

from collections.abc import Callable

from .conftest import Done, array, train

# AVR Instruction Set Manual DS40002198, column AVRe, in the order of firmware/cycles.c;
# pairs and calls are sums (RCALL 3 + RET 4, CALL 4 + RET 4, PUSH 2 + POP 2, ...).
MANUAL = {
    "nop": 1,
    "add": 1,
    "adiw": 2,
    "sbiw": 2,
    "mul": 2,
    "muls": 2,
    "mulsu": 2,
    "lpm Z": 3,
    "lpm": 3,
    "lds": 2,
    "sts": 2,
    "ld X": 2,
    "ld Y": 2,
    "ldd": 2,
    "st X": 2,
    "std": 2,
    "push pop": 2 + 2,
    "rjmp": 2,
    "jmp": 3,
    "rcall ret": 3 + 4,
    "call ret": 4 + 4,
    "branch taken": 1 + 1 + 2,
    "branch not taken": 1 + 1 + 1,
    "sbrs not skipping": 1 + 1 + 1,
    "sbrc skipping one word": 1 + 2,
    "sbrc skipping two words": 1 + 3,
    "sbi": 2,
    "cbi": 2,
    "sbis not skipping": 1 + 1,
    "sbic skipping": 2,
    "in": 1,
    "out": 1,
    "movw": 1,
    "cpse skipping": 2,
    "bset bld": 1 + 1,
    "wdr": 1,
    "ld X+ sbiw": 2 + 2,
    "st -Y adiw": 2 + 2,
    "lpm Z+ sbiw": 3 + 2,
    "cpse skipping two words": 3,
}


def test_instructions_cost_what_the_manual_says(emulate: Callable[..., Done]) -> None:
    """Y15: RCALL; and all others that a compiler uses."""
    done = emulate("cycles", train([], 1e-3), peeks=array("cost", len(MANUAL), 1))
    assert dict(zip(MANUAL, done.items("cost"), strict=True)) == MANUAL
