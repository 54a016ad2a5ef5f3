"""For the author of a grader: an opinion of a light frame, by the frames around it.

A grader sees the measures of a frame (`LightFrame`), those of the accepted frames of the same
target and setting, and the bounds of the rig file. What could not be measured is None. The worst
opinion of all graders is the frame's grade. A frame is judged again as others come; a later opinion
can only take back.

Example, for the entry point ``few_stars`` in ``midwatch.graders``::

    from typing import ClassVar

    from midwatch.api.grader import GradingSettings, LightFrame, Verdict


    class FewStars:
        name: ClassVar[str] = "few_stars"

        def grade(
            self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
        ) -> Verdict:
            if light.stars is not None and light.stars < 20:
                return Verdict("doubtful", (f"{light.stars} stars only",))
            return Verdict("accepted")
"""

from midwatch.journal.facts import Grade
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.grading import Grader, LightFrame, Verdict

__all__ = ["Grade", "Grader", "GradingSettings", "LightFrame", "Verdict"]
