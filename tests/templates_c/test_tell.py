"""If this fails: the serial line is not what the firmware's README says it is."""

from __future__ import annotations

import re
import subprocess
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from sparktick.gen.telling import tell_line

HARNESS = """\
#include "st_core.h"
#include "st_port.h"
#include <stdio.h>
#include <stdlib.h>
void st_tell_wait(uint8_t heartbeats);
st_core st_the_core;
static unsigned calls, held;
void st_port_events_on(void) { held--; }
void st_port_events_off(void) { held++; }
bool st_port_send(uint8_t byte)
{
    if (held != 0U) {
        abort();
    }
    calls++;
    if ((calls % 3U) != 0U) {
        return false;
    }
    putchar(byte);
    return true;
}
int main(int argc, char **argv)
{
    int i;
    st_the_core.s.mode = (uint8_t)strtoul(argv[1], NULL, 10);
    st_the_core.s.period_ticks = (uint32_t)strtoul(argv[2], NULL, 10);
    st_the_core.width_ticks = (uint32_t)strtoul(argv[3], NULL, 10);
    for (i = 4; i < argc; i++) {
        st_the_core.count[i - 4] = (uint16_t)strtoul(argv[i], NULL, 10);
    }
    for (i = 0; i < 3000; i++) {
        st_tell();
        if ((i % 1000) == 999) { /* the next line is due */
            int beats;
            for (beats = 0; beats < 5000; beats += 100) {
                st_tell_wait(100U);
            }
            putchar('|');
            st_the_core.count[1]++;
        }
    }
    return 0;
}
"""
COUNTERS = 16


@pytest.fixture(scope="module")
def teller(sources: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tell")
    (folder / "harness.c").write_text(HARNESS)
    (folder / "st_port_flash.h").write_text(
        "#define ST_FLASH\n#define ST_FLASH_U8(p) (*(p))\n#define ST_LOOP_PART\n"
    )
    for name in ("st_tell.c", "st_core.h", "st_port.h", "st_types.h", "st_internal.h", "config.h"):
        (folder / name).write_bytes((sources / name).read_bytes())
    command = ["cc", "-std=c99", "-fsanitize=undefined", "-fno-sanitize-recover=all", "-o"]
    files = [str(folder / "harness.c"), str(folder / "st_tell.c")]
    subprocess.run([*command, str(folder / "tell"), *files], check=True)
    return folder / "tell"


def told(teller: Path, *numbers: int) -> list[str]:
    """Lines that the C sends, one for each pause, by a transmitter that is often busy."""
    done = subprocess.run([str(teller), *map(str, numbers)], capture_output=True, check=True)
    return done.stdout.decode("ascii").split("|")[:-1]


@pytest.mark.parametrize(
    ("mode", "period", "width", "counts"),
    [
        (0, 0, 0, [0] * COUNTERS),
        (5, 34286, 3238, [3500, 3500, *[0] * 14]),
        (3, 0xFEDCBA98, 0x12345678, [0x9ABC + k for k in range(COUNTERS)]),
        (255, 0xFFFFFFFF, 0xFFFFFFFF, [0xFFFF] * COUNTERS),
    ],
    ids=["zero", "run", "digits", "full"],
)
def test_the_line_is_what_the_generator_says(
    teller: Path, mode: int, period: int, width: int, counts: list[int]
) -> None:
    lines = told(teller, mode, period, width, *counts)
    for later, line in enumerate(lines):
        then = [*counts]
        then[1] = (then[1] + later) & 0xFFFF
        assert line == tell_line(mode, period, width, then) + "\r\n"


def test_framing_of_nmea_0183() -> None:
    """Checked against a sentence of the standard's kind whose sum is widely published.

    Source: the GPGGA example in common descriptions of NMEA 0183; from memory.
    """
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert reduce(xor, body.encode()) == 0x47
    line = tell_line(5, 40000, 3777, [1, 2])
    found = re.fullmatch(r"\$(PSTK(?:,[0-9A-F]{4})+)\*([0-9A-F]{2})", line)
    assert found is not None
    assert reduce(xor, found[1].encode()) == int(found[2], 16)


def test_the_readmes_example_is_a_line_of_this_firmware(sources: Path, teller: Path) -> None:
    text = (sources.parent / "README.md").read_text()
    (line,) = re.findall(r"^    (\$PSTK.*)$", text, re.MULTILINE)
    words = [int(word, 16) for word in line.split("*")[0].split(",")[1:]]
    period, width = (words[1] << 16) + words[2], (words[3] << 16) + words[4]
    assert told(teller, words[0], period, width, *words[5:])[0] == line + "\r\n"
    speed = re.search(r"Crank speed in rpm is (\d+) /", text)
    rpm = re.search(r"without fault at (\d+) rpm", text)
    assert speed is not None
    assert rpm is not None
    assert int(speed[1]) / period == pytest.approx(float(rpm[1]), rel=1e-4)
