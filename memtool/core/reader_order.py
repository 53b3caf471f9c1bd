"""Whole memories in another order of bytes or bits, and the order in which a reader writes files.

Images are thought in the chip's order. A reader may write a memory's bytes in another one,
word by word the wrong way round or inverted. Every such order is undone by doing it once
more, so that one function leads from the file to the chip and back.
"""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.image import Image
from memtool.core.read_options import PLAIN
from memtool.core.span import format_span_with_length
from memtool.core.texts.form_table import FORMS, Family
from memtool.core.texts.stored_forms import StoredForm, parse_stored_form
from memtool.errors import RefusalError

_UNDOES_ITSELF = (Family.WORDS, Family.BACKWARDS, Family.BYTES)

READER_ORDERS: tuple[str, ...] = tuple(
    form.name for form in FORMS if form.keeps_every_byte and form.family in _UNDOES_ITSELF
)
"""What a reader's order may be, pairs aside; `PLAIN` is the first."""


def parse_reader_order(name: str) -> str:
    """The order that a person named.

    Raises:
        ValueError: no reader writes a memory so.
    """
    try:
        form = parse_stored_form(name)
    except ValueError:
        form = None
    if form is None or not all(step.kind in READER_ORDERS for step in form.steps):
        raise ValueError(
            f"'{name}' is not a reader's byte order; they are {', '.join(READER_ORDERS)}"
        )
    return form.name


def turn(image: Image, order: str) -> Image:
    """From a file's order to the chip's, or back.

    Args:
        image: In either order; addresses of segments stay.
        order: Of the reader; `PLAIN` changes nothing.

    Raises:
        ValueError: no order has that name.
        RefusalError: a segment begins or ends inside a word (code ``view-does-not-fit``).
    """
    if order == PLAIN:
        return image
    return apply_view(image, parse_stored_form(parse_reader_order(order)))


def fits(image: Image, order: str) -> bool:
    """Whether `turn` can turn this image: it consists of whole words."""
    form = parse_stored_form(parse_reader_order(order))
    units = [step.form.unit for step in form.steps]
    return not any(
        segment.start % unit or segment.end % unit for segment in image.segments for unit in units
    )


def iterate_views(image: Image) -> Iterator[Image]:
    """A file's image as it would be in each order that a reader may write, plain first.

    Each is made when it is asked for: a large image is not turned in vain.
    """
    return (turn(image, order) for order in READER_ORDERS if fits(image, order))


def require_view(form: StoredForm) -> None:
    """Refuse a stored form that is no view of a whole memory.

    Raises:
        RefusalError: undoing it would drop or merge bytes (code ``not-a-view``).
    """
    lossy = [step.name for step in form.steps if not step.form.keeps_every_byte]
    if lossy:
        views = [form.name for form in FORMS if form.keeps_every_byte and form.name != PLAIN]
        raise RefusalError(
            f"'{lossy[0]}' does not keep every byte, so a whole memory cannot be turned by it",
            code="not-a-view",
            next_step=f"views are {', '.join(views[:-1])} and {views[-1]}",
        )


def apply_view(image: Image, form: StoredForm) -> Image:
    """The image with `form` undone in each whole segment; addresses of segments stay.

    Raises:
        RefusalError: the form is no view, or a segment begins or ends inside a word
            (code ``view-does-not-fit``).
    """
    require_view(form)
    for unit in (step.form.unit for step in form.steps):
        for segment in image.segments:
            if segment.start % unit or segment.end % unit:
                raise RefusalError(
                    f"{format_span_with_length(segment.span)} does not consist of whole words"
                    f" of {unit} bytes, so '{form.name}' cannot be undone in it",
                    code="view-does-not-fit",
                    next_step="read the memory again from its first address",
                    address=segment.start,
                )
    return Image.from_pieces((segment.start, form.undo(segment.data)) for segment in image.segments)
