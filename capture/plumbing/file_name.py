"""Names that people gave, made into names of files. Pure."""

from __future__ import annotations

from hashlib import sha256

#: Beside letters and digits of any script; everything else could mean something to a file system or a shell.
_PLAIN = frozenset(" -_.,()+=@")
#: File systems take names of 255 bytes; what goes before and after a name here has its own part of that.
_LONGEST_BYTES = 160


def file_name(name: str) -> str:
    """Return `name` as part of a file's name, another for every name: what is not plain is percent-encoded, and the end
    of a very long one is its SHA-256 hash."""
    made = "".join(one if one.isalnum() or one in _PLAIN else _encoded(one) for one in name)
    if made[:1] in ("", "."):  # a file's name is never empty, and a dot before it hides the file
        made = f"%2E{made[1:]}" if made else "%"
    if len(made.encode()) > _LONGEST_BYTES:
        made = f"{made[: _LONGEST_BYTES // 8]}~{sha256(made.encode()).hexdigest()}"
    return made


def _encoded(character: str) -> str:
    return "".join(f"%{byte:02X}" for byte in character.encode("utf-8", "surrogatepass"))
