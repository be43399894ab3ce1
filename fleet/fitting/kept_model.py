"""Get a house model back from the store, without loading what fits one."""

from __future__ import annotations

from fleet.errors import NoModelError
from fleet.house_model.archive import from_parts
from fleet.house_model.house import House
from fleet.store import Store
from fleet.store.models import newest_model


def load_house(store: Store, number: int | None = None) -> House:
    """The newest house model kept in the store, or the one with this number.

    Parameters
    ----------
    store : Store
        Where it is kept.
    number : int, optional
        Which one; the one in use without it.

    Returns
    -------
    House

    Raises
    ------
    NoModelError
        If there is none yet, or none of this number.
    """
    kept = newest_model(store, number)
    if kept is None and number is not None:
        raise NoModelError(f"no house model {number} in the store: `fleet model --list` names those kept")
    if kept is None:
        raise NoModelError("no house model yet: run `fleet refit`")
    return from_parts(kept.arrays, kept.texts)


def house_or_prior(store: Store) -> House:
    """The newest kept model; without a store or a model, the one that stands on common practice alone."""
    kept = newest_model(store) if store.path.exists() else None
    if kept is not None:
        return from_parts(kept.arrays, kept.texts)
    from fleet.estimation.prior_only import prior_house

    return prior_house()
