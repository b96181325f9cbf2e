"""Whether a JACK server answers, asked beside PortAudio.

PortAudio ends the program when it opens a stream on a JACK server that is gone
but was there before; nothing in its interface tells that beforehand.
"""

from __future__ import annotations

import ctypes
import ctypes.util

from roomtune.capture.streams import without_library_messages

NO_START_SERVER = 0x01  # JackNoStartServer of jack/types.h


def jack_answers() -> bool:
    """Whether a new client can reach the JACK server; true where that cannot be asked."""
    name = ctypes.util.find_library("jack")
    if name is None:
        return True
    jack = ctypes.CDLL(name)
    jack.jack_client_open.restype = ctypes.c_void_p
    status = ctypes.c_int()
    with without_library_messages():
        client = jack.jack_client_open(b"are-you-there", NO_START_SERVER, ctypes.byref(status))
        if client is not None:
            jack.jack_client_close(ctypes.c_void_p(client))
    return client is not None
