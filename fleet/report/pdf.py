"""A page as PDF: laid out by a library where it is installed, else one line says what to install."""

from __future__ import annotations

import logging
import warnings
from typing import Any, Final

from fleet.errors import FleetError
from fleet.extras import how_to_install

SYSTEM: Final = "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"
INSTEAD: Final = "or write .html and print that from a browser"


def load_library() -> Any:
    """Import the library that lays pages out; the one place that does.

    On some systems it warns of a system library that only its later versions will need: no user can act
    on that here, and where warnings are errors (as in the tests) it must not count as a library missing.

    Returns
    -------
    module
        `weasyprint`.

    Raises
    ------
    FleetError
        If the library, or what it needs of the system, isn't installed: one line with what to install.
    """
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            import weasyprint
    except ImportError:
        raise FleetError(f"a PDF needs the extra report: {how_to_install('report')}; {INSTEAD}.") from None
    except OSError:
        raise FleetError(f"a PDF needs Pango of the system (Debian: {SYSTEM}); {INSTEAD}.") from None
    return weasyprint


def pdf_bytes(page: str) -> bytes:
    """Lay a page out as PDF; whatever it might name outside itself is not fetched.

    Parameters
    ----------
    page : HTML of `fleet.report.page`.

    Raises
    ------
    FleetError
        If it can't be done here, as `load_library` says.
    """
    weasyprint = load_library()
    held_only = weasyprint.URLFetcher(allowed_protocols=("data",), allow_redirects=False)
    return bytes(weasyprint.HTML(string=page, url_fetcher=held_only).write_pdf())
