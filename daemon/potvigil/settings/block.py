"""What every block of the settings is made of."""

from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError


def need(example: str, **bounds: Any) -> Any:
    """A key that must be there; the fault shows the example."""
    return Field(examples=[example], **bounds)


class Block(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


B = TypeVar("B", bound=Block)


def sound(block: type[B], tree: Any) -> B | None:
    try:
        return block.model_validate(tree)
    except ValidationError:
        return None
