"""One correction across the fleet: in time, spread at a date, with another correction, or of two groups."""

import streamlit as st

from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.saved_views import saved_part
from dashboard.screens.trends_at_a_date import related_look, spread_look
from dashboard.screens.trends_in_time import cohorts_look, in_time_look
from dashboard.screens.trends_picked import Picked, moved, pick_correction

LOOKS = {
    "In time": in_time_look,
    "Spread at a date": spread_look,
    "With another correction": related_look,
    "Two groups": cohorts_look,
}
HELP = {
    "In time": "What the middle and most vehicles read, week by week, by up to two factors.",
    "Spread at a date": "How many vehicles read how much on one day, as read or against their family.",
    "With another correction": "Whether two corrections go together from vehicle to vehicle.",
    "Two groups": "One group of vehicles against another, like with like, and how sure the difference is.",
}


def show() -> None:
    """The page."""
    st.title("Trends")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    if not moved(frame.reader.as_of).height:
        st.info("No correction was read by this date.")
        return
    look = st.segmented_control(
        "What to look at", list(LOOKS), default="In time", required=True, key="look", bind="query-params"
    )
    _look(look, frame)


def _look(look: str, frame: Frame) -> None:
    st.caption(HELP[look])
    picked = Picked(look=look, correction=pick_correction(frame.reader.as_of))
    LOOKS[look](picked, frame)
    saved_part("trends", picked.address(frame), frame)
    st.page_link(
        "screens/before_after.py", label="What a calibration, work on a part or a move did to it: Before and after"
    )


show()
