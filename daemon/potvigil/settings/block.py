"""The base of every block of the settings."""

from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError


def need(example: str, **bounds: Any) -> Any:
    """A required key; the fault shows the example."""
    return Field(examples=[example], **bounds)


class Block(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


B = TypeVar("B", bound=Block)


def sound(block: type[B], tree: Any) -> B | None:
    try:
        return block.model_validate(tree)
    except ValidationError:
        return None
