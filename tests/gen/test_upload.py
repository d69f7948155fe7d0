"""If this fails: `make flash-...` of a firmware folder does not put the image into a board.

The uploader is avrdude itself; the boot loader is played here over a pseudo-terminal, by the STK500
protocol of Atmel's application note AVR061 (the parts that avrdude uses; from memory).
"""

from __future__ import annotations

import os
import pty
import shutil
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest
from intelhex import IntelHex

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import load_board
from sparktick.gen.pipeline import generate
from sparktick.gen.render import read_manifest
from sparktick.gen.toolchain import Compiler, build

INSYNC, OK, CRC_EOP = b"\x14", b"\x10", 0x20
SIGNATURE = bytes([0x1E, 0x95, 0x0F])  # ATmega328P data sheet, signature bytes


class BootLoader:
    """A boot loader on the far end of a serial line; ``flash`` is what was written."""

    def __init__(self) -> None:
        self.flash: dict[int, int] = {}
        self._address = 0
        self._end, near = pty.openpty()
        tty.setraw(near)
        self.port = os.ttyname(near)
        threading.Thread(target=self._serve, daemon=True).start()

    def _read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += os.read(self._end, count - len(data))
        return data

    def _serve(self) -> None:
        while True:
            command = self._read(1)[0]
            if command != CRC_EOP:
                answer = self._answer(command)
                os.write(self._end, INSYNC + answer + OK)

    def _answer(self, command: int) -> bytes:
        """Take a command's arguments and its end mark; return what is sent back."""
        if command in (0x64, 0x74):  # program, read a page
            high, low, _ = self._read(3)
            return self._page(command, high << 8 | low)
        # device parameters, extended ones, universal command, address, get parameter
        length = {0x42: 20, 0x56: 4, 0x55: 2, 0x41: 1}.get(command, 0)
        if command == 0x45:  # says itself how many bytes it has
            length = self._read(1)[0] - 1
        arguments = self._read(length)
        self._read(1)
        if command == 0x55:
            self._address = 2 * int.from_bytes(arguments, "little")
        return {0x41: b"\0", 0x56: b"\0", 0x75: SIGNATURE}.get(command, b"")

    def _page(self, command: int, count: int) -> bytes:
        data = self._read(count) if command == 0x64 else b""
        self._read(1)
        self.flash.update(enumerate(data, self._address))
        if command == 0x64:
            return b""
        return bytes(self.flash.get(self._address + i, 0xFF) for i in range(count))


ACK = b"\x79"


class RomLoader:
    """The boot loader in an STM32F103's system memory, by application note AN3155, from memory.

    ``flash`` is what was written, by address; ``started`` where it was told to begin.
    """

    def __init__(self) -> None:
        self.flash: dict[int, int] = {}
        self.started: int | None = None
        self._end, near = pty.openpty()
        tty.setraw(near)
        self.port = os.ttyname(near)
        threading.Thread(target=self._serve, daemon=True).start()

    def _read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += os.read(self._end, count - len(data))
        return data

    def _send(self, data: bytes) -> None:
        os.write(self._end, data)

    def _address(self) -> int:
        self._send(ACK)
        place = int.from_bytes(self._read(5)[:4], "big")
        self._send(ACK)
        return place

    def _serve(self) -> None:
        while True:
            command = self._read(1)[0]
            if command == 0x7F:  # so that it can measure the speed
                self._send(ACK)
                continue
            assert self._read(1)[0] == command ^ 0xFF
            known = bytes([0x00, 0x01, 0x02, 0x11, 0x21, 0x31, 0x43])
            if command == 0x00:
                self._send(ACK + bytes([len(known), 0x22]) + known + ACK)
            elif command == 0x01:
                self._send(ACK + b"\x22\0\0" + ACK)
            elif command == 0x02:
                self._send(ACK + b"\x01\x04\x10" + ACK)  # medium density
            else:
                self._memory(command)

    def _memory(self, command: int) -> None:
        if command == 0x43:
            self._send(ACK)
            pages = self._read(1)[0]
            self._read(1 if pages == 0xFF else pages + 2)
            self.flash.clear()
            self._send(ACK)
            return
        place = self._address()
        if command == 0x11:
            count = self._read(2)[0] + 1
            self._send(ACK + bytes(self.flash.get(place + i, 0xFF) for i in range(count)))
        elif command == 0x31:
            count = self._read(1)[0] + 1
            self.flash.update(enumerate(self._read(count), place))
            self._read(1)
            self._send(ACK)
        else:
            self.started = place


SPARKTICK = [sys.executable, "-c", "from sparktick.gen.cli import main; main()"]
STM32FLASH = """#!/bin/sh
exec {} -m 8n1 "$@"
"""


@pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
@pytest.mark.needs_system("stm32flash", "apt-get install stm32flash")
def test_the_rom_of_an_stm32f103_gets_the_image(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """stm32flash itself; a pseudo-terminal has no parity bit, so it is told to send none."""
    tool = tmp_path / "bin" / "stm32flash"
    tool.parent.mkdir()
    tool.write_text(STM32FLASH.format(shutil.which("stm32flash")))
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tool.parent}:{os.environ['PATH']}")
    (tmp_path / "engine.toml").write_text(engine_for("pill-103c8"))
    folder = tmp_path / "pill"
    generate(tmp_path / "engine.toml", folder)
    image = IntelHex(str(build(folder).hex)).todict()
    image.pop("start_addr")
    for command in (
        ["make", "-C", str(folder), "flash-serial"],
        [*SPARKTICK, "flash", str(folder), "--way", "serial"],
    ):
        board = RomLoader()
        port = [f"PORT={board.port}"] if command[0] == "make" else ["--port", board.port]
        done = subprocess.run(
            [*command, *port], capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert {place: board.flash.get(place) for place in image} == image
        assert board.started == 0x08000000


@pytest.mark.avr
@pytest.mark.needs_system("avrdude", "apt-get install avrdude")
@pytest.mark.parametrize("name", ["plover", "teal"])
def test_every_boot_loader_of_the_board_gets_the_image(
    name: str, avr: Compiler, made_folders: dict[str, Path], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(made_folders[name], tmp_path / name))
    image = IntelHex(str(build(folder, avr).hex)).todict()
    ways = [way for way in load_board(read_manifest(folder)["board"]).upload if way.baud]
    assert ways
    for way in ways:
        board = BootLoader()
        command = ["make", "-C", str(folder), f"flash-{way.name}", f"PORT={board.port}"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        assert {place: board.flash.get(place) for place in image} == image
        assert f"{len(image)} bytes of flash verified" in done.stderr
