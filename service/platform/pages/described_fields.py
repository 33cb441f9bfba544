"""Fields described as data, read from a form: what cannot be is refused beside its field."""

from collections.abc import Sequence

from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.typed_fields import FieldRefused, typed_value
from service.platform.pages.forms import Form


def refuse_alone(form: Form, field: Field) -> bool:
    """Refuse what one field by itself cannot be; say whether it was."""
    if not form.raw(field.name).strip():
        return False
    try:
        typed_value({field.name: form.raw(field.name)}, field)
    except FieldRefused as trouble:
        refuse_field(form, trouble)
        return True
    return False


def refuse_field(form: Form, trouble: FieldRefused) -> None:
    """Put a trouble of the computation beside the field it comes from."""
    allowed = trouble.allowed.rstrip(".")
    if not form.raw(trouble.field).strip():
        form.refuse(trouble.field, "This is needed", f"Right would be: {allowed}.")
    elif allowed[:1].isupper():
        form.refuse(trouble.field, allowed)
    else:
        form.refuse(trouble.field, "cannot be taken", f"Right would be: {allowed}.")


def refuse_in(form: Form, place: str, fields: Sequence[Field], trouble: TradeError) -> None:
    """Put a trouble beside the field it is about; several that contradict stand above them."""
    if isinstance(trouble, FieldRefused):
        refuse_field(form, trouble)
        return
    names = [field.name for field in fields if field.name in trouble.fields]
    at = names[0] if len(names) == 1 else place
    form.typed.setdefault(at, ("",))
    if isinstance(trouble, OutOfRange):
        reason = f"{trouble.name} is {trouble.value} {trouble.unit}".rstrip()
        form.refuse(at, reason, f"Right would be: {trouble.allowed}.")
    else:
        form.refuse(at, str(trouble))
