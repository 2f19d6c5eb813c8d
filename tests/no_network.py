"""Forbids network sockets to a process, compiled libraries included: the first one ends it with SIGSYS."""

from __future__ import annotations

import ctypes
import platform
import struct
import sys

# Linux syscall numbers of socket(2), from the kernel's tables of system calls
_SOCKET = {"x86_64": 41, "aarch64": 198}
_AF_INET, _AF_INET6 = 2, 10
_PR_SET_NO_NEW_PRIVS, _PR_SET_SECCOMP, _MODE_FILTER = 38, 22, 2
_LOAD, _JUMP_EQUAL, _RETURN = 0x20, 0x15, 0x06
_KILL_PROCESS, _ALLOW = 0x80000000, 0x7FFF0000


def can_forbid() -> bool:
    """Whether this system can."""
    return sys.platform == "linux" and platform.machine() in _SOCKET


def forbid() -> None:
    """Forbid internet sockets to this process and its children, for good.

    Notes
    -----
    A seccomp filter (Linux ``seccomp(2)``): system call number, then the address family.
    """
    rules = [
        (_LOAD, 0, 0, 0), (_JUMP_EQUAL, 0, 4, _SOCKET[platform.machine()]), (_LOAD, 0, 0, 16),
        (_JUMP_EQUAL, 1, 0, _AF_INET), (_JUMP_EQUAL, 0, 1, _AF_INET6), (_RETURN, 0, 0, _KILL_PROCESS),
        (_RETURN, 0, 0, _ALLOW),
    ]
    program = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *rule) for rule in rules))
    head = ctypes.create_string_buffer(struct.pack("HP", len(rules), ctypes.addressof(program)))
    libc = ctypes.CDLL(None, use_errno=True)
    zero = ctypes.c_ulong(0)
    for call in ((_PR_SET_NO_NEW_PRIVS, ctypes.c_ulong(1), zero, zero, zero),
                 (_PR_SET_SECCOMP, ctypes.c_ulong(_MODE_FILTER), head, zero, zero)):
        if libc.prctl(*call) != 0:
            raise OSError(ctypes.get_errno(), "the filter was not taken")
