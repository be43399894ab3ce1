"""What every answer has in common: a sentence, a table, and a short look in a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS_SHOWN: Final = 20


class Result:
    """An answer that shows itself by its sentence, and in a notebook by a table below it."""

    def to_frame(self) -> pd.DataFrame:
        """Everything the answer holds, as a frame of its own.

        Returns
        -------
        DataFrame
            Changing it leaves the answer as it is.
        """
        raise NotImplementedError

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """Sentence and the part of the table that is looked at first."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"{type(self).__name__}: {self.in_short()[0]}"

    def _repr_html_(self) -> str:
        from html import escape

        said, shown = self.in_short()
        rest = len(shown) - MOST_ROWS_SHOWN
        more = f"<p>and {rest} more rows: .to_frame()</p>" if rest > 0 else ""
        body = shown.head(MOST_ROWS_SHOWN).to_html(
            index=False, border=0, na_rep="", float_format="{:.4g}".format
        )
        return f"<p>{escape(said)}</p>{body}{more}"
