"""At the vehicle, on a tablet: find it, note what would be lost, read, check, write down the work, sign off."""

import polars as pl
import streamlit as st

from dashboard import entered, one_vehicle, published
from dashboard.palette import URGENCY, look
from dashboard.screens import frame as shared
from dashboard.screens.bay_forms import reading_part, sign_off_part, work_part
from dashboard.screens.checking import checks_part
from dashboard.screens.frame import Frame
from dashboard.screens.record import codes_that_stand
from dashboard.screens.setting_back import setting_back_part
from dashboard.screens.visitor import visitor_part
from dashboard.views import bay as views
from dashboard.views.vehicle import CauseView, causes_of, cautions_of, nearest
from dashboard.views.wording import percent, plain
from pipelines.handover import Evidence

BIG = """<style>
[data-testid=stMain] :is([data-testid^=stBaseButton], summary, [data-testid=stPageLink] a,
[data-testid=stTextInputRootElement], [data-testid=stNumberInputContainer], [data-testid=stSelectbox] > div,
[data-testid=stSelectbox] [role=group], [data-testid=stMultiSelect] > div, [data-testid=stDateInput] > div,
[data-testid=stDateInputField], [data-testid=stTimeInput] > div, [data-testid=stTimeInput] [role=group],
[role=radiogroup] label, [data-testid=stCheckbox] label) { min-height: 48px; align-items: center; }
[data-testid=stMain] [data-testid=stHeaderActionElements] { display: none; }
</style>"""  # what a thumb in a glove meets, and no stop at headings for the Tab key; nothing of it comes from data
MOST_OFFERED = 6


def show() -> None:
    """The page."""
    st.title("At the vehicle")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    st.html(BIG)
    states = published.table("vehicle_state", frame.reader.as_of)
    known = states.get_column("vehicle_id").sort().to_list()
    st.markdown("## Find it, note what would be lost, read, check, write down, sign off.")
    asked = st.text_input(
        "Fleet number or VIN, or its last characters", key="vehicle", bind="query-params", autocomplete="off"
    )
    shared.basis(frame)
    found = views.found(asked, published.vehicles(), known) if asked.strip() else []
    if len(found) == 1:
        _vehicle(found[0], frame)
        return
    if found:
        st.markdown("Several end so. Which one is it?")
        _links(found, states, frame)
    elif asked.strip():
        st.warning(f"{plain(asked)}: no vehicle of this state has that number, nor a VIN that ends so.")
        _links(nearest(asked, known), states, frame)
    else:
        st.markdown("Type what stands on the vehicle. What is most urgent:")
        _links(published.by_urgency(frame.reader.as_of)[:MOST_OFFERED], states, frame)
    st.subheader("A visitor without a history")
    visitor_part(frame)


def _links(vehicles: list[str], states: pl.DataFrame, frame: Frame) -> None:
    urgency = dict(states.select("vehicle_id", "urgency").iter_rows())
    for vehicle_id in vehicles:
        st.page_link(
            "screens/bay.py",
            label=f"{plain(vehicle_id)} — {look(URGENCY, urgency.get(vehicle_id)).label}",
            query_params={**frame.carried, "vehicle": vehicle_id},
            width="stretch",
        )


def _vehicle(vehicle_id: str, frame: Frame) -> None:
    as_of = frame.reader.as_of
    evidence = one_vehicle.evidence(vehicle_id, as_of)
    now = entered.checks(vehicle_id, as_of)
    causes = [
        cause
        for cause in causes_of(vehicle_id, now.ranking, published.cause_knowledge())
        if cause.cause in published.cause_knowledge()
    ]
    _standing(vehicle_id, evidence, frame)
    st.subheader("Is it this one?")
    _identity(vehicle_id, evidence, frame)
    _before(vehicle_id, evidence, causes, frame)
    st.subheader("Read now")
    reading_part(vehicle_id, evidence, now.ranking, frame)
    st.subheader("Check")
    _causes(causes)
    checks_part(vehicle_id, now, frame)
    st.subheader("Write down the work")
    _after(vehicle_id, causes, frame)
    work_part(vehicle_id, causes, frame)
    st.subheader("Sign off")
    sign_off_part(vehicle_id, frame)
    st.page_link(
        "screens/vehicle.py", label="Everything about this vehicle", width="stretch",
        query_params={**frame.carried, "vehicle": vehicle_id},
    )  # fmt: skip


def _standing(vehicle_id: str, evidence: Evidence, frame: Frame) -> None:
    """Whether it may be driven, first of all."""
    rows = published.table("vehicle_state", frame.reader.as_of)
    state = rows.row(by_predicate=pl.col("vehicle_id") == vehicle_id, named=True)
    counts = entered.now().counts
    since = views.signed(vehicle_id, counts, frame.reader.as_of)
    dangers = views.dangers_now(vehicle_id, evidence, counts)
    if state["urgency"] == "off_road" and since is None and state["urgency_reason"] not in dangers:
        dangers.insert(0, state["urgency_reason"] or "It is off the road.")
    if dangers:
        st.error("\n".join(["**Do not drive it.**", *(f"- {plain(each)}" for each in dangers)]))
    elif since is not None:
        st.success(f"Signed off {plain(frame.reader.moment(since))}: it may be driven.")
    elif state["urgency_reason"]:
        st.markdown(f"## {plain(state['urgency_reason'])}")


def _identity(vehicle_id: str, evidence: Evidence, frame: Frame) -> None:
    vehicle = evidence.vehicles.row(0, named=True) if evidence.vehicles.height else {}
    read = evidence.snapshots.sort("read_at").select("read_at", pl.col("ignition_hours").forward_fill()).tail(1)
    read_at, hours = read.row(0) if read.height else (None, None)
    who = views.who_it_is(vehicle, one_vehicle.clock(vehicle_id, frame.reader.as_of), hours, read_at, frame.reader)
    st.markdown("  \n".join(f"**{name}:** {plain(value)}" for name, value in who.items()))


def _before(vehicle_id: str, evidence: Evidence, causes: list[CauseView], frame: Frame) -> None:
    as_of = frame.reader.as_of
    st.subheader("Before you touch it")
    codes = codes_that_stand(vehicle_id, frame)
    written = views.before_clearing(codes, frame.reader)
    st.markdown("**Read before you clear.** What is cleared is gone: code, freeze frame, readiness.")
    st.markdown("\n".join(f"- {plain(line)}" for line in written) if written else "No code was known to stand.")
    family = evidence.vehicles["engine_family"].to_list()
    lost = views.before_disconnecting(
        family[0] if family else "", published.table("fault_event", as_of), published.table("learning_epoch", as_of),
        published.vehicles(),
    )  # fmt: skip
    st.markdown(f"**Read before you disconnect.** {plain(lost)}")
    cautions = cautions_of(causes)
    if cautions:
        with st.expander("Before you work: " + ", ".join(plain(title) for title, _ in cautions)):
            st.markdown("\n".join(f"- **{plain(title)}.** {plain(text)}" for title, text in cautions))


def _causes(causes: list[CauseView]) -> None:
    if not causes:
        st.markdown("Nothing strays that a cause could be named for.")
    for cause in causes:
        with st.expander(f"{percent(cause.probability)} · {plain(cause.name)}"):
            st.markdown(plain(cause.evidence))


def _after(vehicle_id: str, causes: list[CauseView], frame: Frame) -> None:
    """What to set back and when to read again, of the likeliest cause; the others can be picked."""
    if not causes:
        return
    picked = causes[0]
    if len(causes) > 1:
        picked = st.selectbox(
            "If it is", causes, format_func=lambda cause: cause.name, key=f"after work on {vehicle_id}"
        )
    setting_back_part(vehicle_id, picked, frame)


show()
