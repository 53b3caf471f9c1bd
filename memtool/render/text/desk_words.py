"""What the full-screen desk asks and says that no view says: its hints and questions."""

from __future__ import annotations

from collections.abc import Sequence

FILTER = "Order, VIN or its last digits, part number"
NO_JOB_YET = "No job yet. F2 opens one; F5 plays an invented one."
NO_SUCH_PLACE = "This is no address, and no region is called so."
GO_TO = "Go to which address or region?"
PLACES = "0x0120 or 288, or a part of a region's name."
SEARCH_FOR = "Search for which text or bytes?"
SEARCHED = "Letters in either case, or hex digits such as 86 3B."
ONE_IMAGE = "This is one image: lay another one beside it."
WHICH_IMAGE = "Look at which image?"
BESIDE_ALREADY = "The reads lie beside each other already."
NO_CHECKSUM_NAMED = "No layout names a checksum here."
ABOUT_LAYOUTS = "A layout says what lies where. A person answers for every guess of it."
NO_IMAGE = "There is no image to draft a layout from: add the image of a module first."
WHICH_LAYOUT = "Review which layout file?"
DRAFTED = "Written, not reviewed. Next: answer for every guess."
EMPTY_LINE = "An empty line takes the value out."
ALL_ANSWERED = "Every guess is answered."
WHO_REVIEWS = "Who reviews?"
FILE_TO_MAKE = "The file to make; it must not exist"
WHICH_VIN_GOES = "Which VIN goes?"
WHICH_FORMAT = "In which format is the file written?"
AS_THE_DONOR = "in that of the donor's read"
NO_OPEN_POINT = "No check has left a point to a person."
WHICH_POINT = "Which point do you decide?"
WHAT_DECIDED = "What do you decide, and why?"
A_NOTE = "A sentence for the record"
WHAT_SHOWN = "What does the file show?"
WHAT_TRIED = "What was calibrated and tried on the vehicle?"
WHAT_CAME_OUT = "What came out?"
LOOK_AT_FILES = "Look at a file; several are taken as reads of one chip"
STOPPING = "Stopping ..."
KEYS = (
    "The keys of each screen stand below it; a click on one does the same.",
    "Arrows, Page up and Page down move; Tab goes to the next part; Esc goes back.",
    "Ctrl-T turns light and dark. Ctrl-Q quits; so does Ctrl-C, at any moment.",
    "Every step is a command as well: the line with $ says which.",
)


def tell_one_of_each(memories: Sequence[str]) -> str:
    """How the reads of several memories are picked."""
    return (
        f"A read of each memory: {', '.join(memories)}. Enter marks a file, and takes all when"
        " there is one of each; Enter on a marked file takes what is marked."
    )


def tell_not_found(text: str, *, is_hidden: bool) -> str:
    """Of a search that found nothing."""
    hidden = " Protected bytes are not searched." if is_hidden else ""
    return f"'{text}' is not found.{hidden}"


def tell_found(text: str, place: str, side: str | None, *, again: bool) -> str:
    """Where it is found; `side` is the image, where there are several."""
    where = f" in {side}" if side is not None else ""
    return f"'{text}' is at {place}{where}{', from the start on again' if again else ''}."


def tell_no_difference(place: str, *, is_after: bool) -> str:
    """That nothing differs from there on."""
    return f"Nothing differs {'after' if is_after else 'before'} {place}."


def tell_nearest(place: str) -> str:
    """That the address is in no image."""
    return f"{place} is in no image; this is the nearest."


def ask_memory(name: str, size: str) -> str:
    """Which memory a file was read from."""
    return f"{name} ({size}) was read from which memory?"


def ask_why_kept(place: str) -> str:
    """Why a run of bytes stays."""
    return f"Why does {place} stay?"
