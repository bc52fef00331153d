"""A shared library's file: what machine it was compiled for, and loading it so that a rebuilt one is read anew."""

import atexit
import ctypes
import hashlib
import platform
import shutil
import struct
import sys
import tempfile
from pathlib import Path

from controllers.contract import ContractError

_X86, _X64, _ARM, _ARM64, _RISCV = "32-bit x86", "64-bit x86", "32-bit ARM", "64-bit ARM", "RISC-V"
_ELF = {3: _X86, 62: _X64, 40: _ARM, 183: _ARM64, 243: _RISCV}
_PE = {0x14C: _X86, 0x8664: _X64, 0x1C0: _ARM, 0x1C4: _ARM, 0xAA64: _ARM64}
_MACH = {7: _X86, 0x1000007: _X64, 12: _ARM, 0x100000C: _ARM64}
_LOADED = {}  # (path, hash of the content) => library


def made_for(data):
    """(first kilobytes of a file) => (family of systems, processor); None for what is no library of a known form."""
    if data[:4] == b"\x7fELF" and len(data) >= 20:
        order = "<" if data[5] == 1 else ">"
        machine = struct.unpack_from(f"{order}H", data, 18)[0]
        return "Linux", _ELF.get(machine, f"a processor of number {machine}")
    if data[:2] == b"MZ" and len(data) >= 64:
        at = struct.unpack_from("<I", data, 60)[0]
        if data[at : at + 4] == b"PE\0\0" and len(data) >= at + 6:
            machine = struct.unpack_from("<H", data, at + 4)[0]
            return "Windows", _PE.get(machine, f"a processor of number {machine}")
    if data[:4] in (b"\xcf\xfa\xed\xfe", b"\xce\xfa\xed\xfe"):
        machine = struct.unpack_from("<I", data, 4)[0]
        return "macOS", _MACH.get(machine, f"a processor of number {machine}")
    if data[:4] == b"\xca\xfe\xba\xbe":  # several processors in one file: the loader chooses
        return this_machine()
    return None


def this_machine():
    """(family of systems, processor) that this Python runs on."""
    family = {"win32": "Windows", "darwin": "macOS"}.get(sys.platform, "Linux")
    name, wide = platform.machine().lower(), struct.calcsize("P") == 8
    if name in ("x86_64", "amd64", "i386", "i686", "x86"):
        return family, _X64 if wide else _X86
    if name.startswith(("arm", "aarch64")):
        return family, _ARM64 if wide else _ARM
    return family, _RISCV if name.startswith("riscv") else name


def load_library(path, *, alone=False):
    """(path) => ctypes library.  Equal content is loaded once, so that several instances share code; changed content anew.

    alone=True loads one more copy, with static variables of its own.  Raises ContractError.
    """
    path = Path(path).resolve()
    data = _content(path)
    key = (path, hashlib.sha256(data).hexdigest())
    if alone or key not in _LOADED:
        taken = alone or any(known == path for known, _ in _LOADED)
        library = _open(_copied(path) if taken else path, path.name)
        if alone:
            return library
        _LOADED[key] = library
    return _LOADED[key]


def _refuse(name, rule, remedy):
    raise ContractError(f'controller.class = "{name}": {rule}. {remedy}.')


def _content(path):
    try:
        data = path.read_bytes()
    except OSError as error:
        source = path.with_suffix(".c")
        remedy = f"Compile {source.name} first; its head shows the command" if source.is_file() else "Check the path"
        _refuse(path.name, f"the library cannot be read ({(error.strerror or str(error)).lower()})", remedy)
    found, here = made_for(data[:8192]), this_machine()
    if found is None:
        _refuse(path.name, "is no shared library", "Compile it with -shared; the head of a starter shows the command")
    if data[:4] == b"\x7fELF" and data[16] == 1:
        _refuse(path.name, "is an object file, not linked", "Add -shared to the compiler's command")
    if found != here:
        _refuse(path.name, f"is compiled for {found[0]} on {found[1]}, and this is {here[0]} on {here[1]}", "Compile it here")
    return data


def _copied(path):
    """A copy under another name: a loader gives back what it has where it knows the name already."""
    folder = Path(tempfile.mkdtemp(prefix="drybench-library-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(shutil.copy2(path, folder / path.name))


def _open(file, name):
    try:
        library = ctypes.CDLL(str(file))
    except OSError as error:
        said = str(error).removeprefix(f"{file}: ")
        _refuse(name, f"the system cannot load it ({said})", "Link what it needs, for example -lm")
    if sys.float_info.min / 2.0 == 0.0:
        # Start-up code of -ffast-math turns them off for the whole process, and every result would change.
        _refuse(name, "loading it turned off subnormal numbers, as -ffast-math does when linking", "Leave that option out")
    return library
