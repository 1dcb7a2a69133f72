"""What makes a page of a template, for those who answer with one."""

from __future__ import annotations

from typing import Any, Protocol


class Page(Protocol):
    """Makes a page of a template."""

    async def __call__(
        self, template: str, title: str, position: str | None = None, **more: Any
    ) -> str:
        """A page with what every page has."""
