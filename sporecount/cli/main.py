"""From arguments to an exit code; no bare traceback reaches a user.

Exit codes: 0 done; 1 done, with photos that could not be used; 2 bad call or nothing usable; 130 interrupted.
"""

from __future__ import annotations

import re
import sys
import traceback
from pathlib import Path

import typer

from sporecount.errors import SporecountError

NOTHING_USABLE = 2
INTERRUPTED = 130

_MISSING_LIBRARY = """{fault}
A library that OpenCV needs is missing on this system. On Debian and Ubuntu this brings it:
    sudo apt install libgl1 libglib2.0-0
Without administrator's rights, the wheel without windows does as well:
    pip uninstall -y opencv-python && pip install opencv-python-headless"""


def main() -> None:
    """Run the program."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(
                errors="backslashreplace"
            )  # a name that the terminal cannot show stops nothing
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run a command and give its exit code.

    Parameters
    ----------
    arguments : list of str
        Without the program's name.
    """
    from sporecount.cli.commands import make_app

    try:
        code = make_app()(args=arguments, prog_name="sporecount", standalone_mode=False)
    except SporecountError as fault:
        return _complain(str(fault))
    except (KeyboardInterrupt, typer.Abort):
        _complain("Interrupted. What is counted is kept: the same command goes on from here.")
        return INTERRUPTED
    except ImportError as fault:
        return _complain(_about_import(fault))
    except BrokenPipeError:  # nobody reads any more, as in `sporecount ... | head`
        sys.stderr.close()
        return 1
    except OSError as fault:
        where = f"{fault.filename}: " if fault.filename else ""
        return _complain(
            f"{where}{fault.strerror or fault}. Check the place and its free space, then run again."
        )
    except Exception as fault:
        if hasattr(fault, "format_message"):  # a call that the parser does not understand
            return _complain(_about_call(fault))
        last = traceback.extract_tb(fault.__traceback__)[-1]
        place = f"{Path(last.filename).name}:{last.lineno}"
        return _complain(
            f"a fault of this program ({type(fault).__name__}: {fault}, at {place}). Please report it."
        )
    return code if isinstance(code, int) else 0


def _complain(text: str) -> int:
    print(f"sporecount: {text}", file=sys.stderr)  # noqa: T201  the edge is where printing belongs
    return NOTHING_USABLE


def _about_import(fault: ImportError) -> str:
    text = str(fault)
    if ".so" in text and "cannot open shared object" in text:
        return _MISSING_LIBRARY.format(fault=text)
    return (
        f"a library is missing ({text}). Install the program again: pip install --force-reinstall sporecount"
    )


def _about_call(fault: Exception) -> str:
    context = getattr(fault, "ctx", None)
    path = context.command_path if context is not None else "sporecount"
    message = fault.format_message()  # type: ignore[attr-defined]
    if message.lstrip().startswith("Usage:"):
        return f"a command is needed.\n{message}"
    # the parser's own words, "Input should be a valid number, unable to parse string as a number"
    message = re.sub(r"Input should be ([^,]+)(, unable to parse .*)?", r"it should be \1", message)
    return f"{message.rstrip('.')}. See: {path} --help"
