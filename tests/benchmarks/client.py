"""One kept-alive connection over a raw socket: the client must cost less than what it measures."""

from __future__ import annotations

import socket
import time


class Connection:
    """POSTs bodies one after the other and times each answer, from the first byte sent to the last byte read."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def post(self, path: str, body: bytes, extra: str = "") -> tuple[float, bytes]:
        """(milliseconds, body of the answer). RuntimeError for anything but 200."""
        head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n{extra}\r\n"
        message = head.encode() + body
        begun = time.perf_counter()
        self._socket.sendall(message)
        answer = b""
        while (end := answer.find(b"\r\n\r\n")) < 0:
            answer += self._more()
        lines = answer[:end].split(b"\r\n")
        length = next(int(line.split(b":")[1]) for line in lines if line.lower().startswith(b"content-length:"))
        while len(answer) < end + 4 + length:
            answer += self._more()
        took = (time.perf_counter() - begun) * 1000
        if not lines[0].startswith(b"HTTP/1.1 200"):
            raise RuntimeError(f"{path}: {lines[0].decode()}: {answer[end + 4 : end + 400].decode(errors='replace')}")
        return took, answer[end + 4 :]

    def _more(self) -> bytes:
        found = self._socket.recv(1 << 20)
        if not found:
            raise RuntimeError("the server closed the connection")
        return found

    def close(self) -> None:
        self._socket.close()
