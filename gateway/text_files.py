"""Text files that people write, read whole; one that cannot be read is told in one line, with what to do."""

from pathlib import Path

from gateway.errors import ConfigurationFault, Fault

#: Why a file cannot be opened, in our words, and what to do.
REASONS: dict[type[OSError], tuple[str, str]] = {
    FileNotFoundError: ("there is no such file", "check the name, and the folder it is looked for in"),
    NotADirectoryError: ("there is no such file", "check the name: a part of it is a file, not a folder"),
    IsADirectoryError: ("a folder, not a file", "name the file in it"),
    PermissionError: ("may not be read", "let the user who runs the gateway read it, and open the folders above it"),
}


def read_text(path: Path) -> str:
    """Give back the text of a UTF-8 file, without a byte order mark. Raises `ConfigurationFault`."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise ConfigurationFault([Fault(str(path), line, "", "not UTF-8 text", "save the file as UTF-8")]) from error
    except OSError as error:
        message, remedy = REASONS.get(type(error), (f"cannot be read: {error.strerror}", "try a copy of it"))
        raise ConfigurationFault([Fault(str(path), None, "", message, remedy)]) from error
