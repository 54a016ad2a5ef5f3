"""The orders by hand that can be given on the page, as plain values for its templates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from midwatch.interface.page.accounts import Session

LONGEST_WHO, LONGEST_WHY = 80, 500


@dataclass(frozen=True)
class OrderForms:
    """What the forms for orders by hand hold.

    Attributes:
        token: proves that a form is of this session.
        account: who gives orders, unless they type another name.
        why: what was typed into a form that was not taken.
        targets: of the night, by name.
        orders: text of the night orders in force, or what was typed before.
        changing: whether that text was typed here, so that it is shown at once.
    """

    token: str
    account: str
    why: str
    targets: tuple[str, ...]
    orders: str
    changing: bool
    longest_who: int = LONGEST_WHO
    longest_why: int = LONGEST_WHY


def order_forms(session: Session, targets: Sequence[str], orders: str) -> OrderForms:
    """Return the forms for orders by hand.

    Args:
        session: whose forms they are.
        targets: of the night, by name.
        orders: text of the night orders in force; what was typed before goes first.
    """
    return OrderForms(
        token=session.form_token,
        account=session.account,
        why=session.why,
        targets=tuple(targets),
        orders=orders if session.orders is None else session.orders,
        changing=session.orders is not None,
    )
