"""What is wrong with a plan, or with the choice of one."""

from schemas.errors import InvalidInput


class PlanError(InvalidInput):
    """A plan that cannot be used, or no plan for an animal; the message says cause and remedy.

    Attributes
    ----------
    plan : str
        The plan's code, or whom a plan was sought for.
    field : str
        The field, as a path into the plan: ``views.2.teeth``.
    value : str
        What stood there, as Python would show it.
    expected : str
        What should stand there.
    remedy : str
        What to do about it.
    """

    def __init__(self, plan: str, field: str, value: object, expected: str, remedy: str) -> None:
        super().__init__(field, value, expected)
        self.plan = plan
        self.remedy = remedy

    def __str__(self) -> str:
        return f"plan {self.plan}: {super().__str__()}. {self.remedy}"
