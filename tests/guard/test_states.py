"""The state table: every state with every event, and every chain of events."""

from __future__ import annotations

import itertools
from collections import deque

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.guard.states import (
    LATCHED,
    OUTPUT_OF,
    POWERED,
    TABLE,
    Action,
    ChannelState,
    Event,
    diagram,
    step,
)
from benchd.reading import OutputState

PRODUCT = list(itertools.product(ChannelState, Event))
BEING_SWITCHED_OFF = {ChannelState.SWITCHING_OFF, ChannelState.TRIPPING}
MAY_BE_ON = {ChannelState.STARTING, *POWERED}


@pytest.mark.parametrize(("state", "event"), PRODUCT)
def test_a_missing_pair_switches_off_and_keeps_the_latch(state: ChannelState, event: Event) -> None:
    outcome = step(state, event)
    assert outcome.listed == ((state, event) in TABLE)
    if not outcome.listed:
        assert outcome.actions == (Action.SWITCH_OFF,)
        assert outcome.state in BEING_SWITCHED_OFF
        assert (outcome.state in LATCHED) == (state in LATCHED)


@pytest.mark.parametrize("state", ChannelState)
@pytest.mark.parametrize("event", [Event.DAEMON_LOST, Event.OFF_ASKED])
def test_off_is_switched_from_every_state(state: ChannelState, event: Event) -> None:
    outcome = step(state, event)
    assert outcome.listed
    assert Action.SWITCH_OFF in outcome.actions
    assert outcome.state in BEING_SWITCHED_OFF


@pytest.mark.parametrize(("state", "event"), PRODUCT)
def test_off_is_entered_only_after_reading_back(state: ChannelState, event: Event) -> None:
    outcome = step(state, event)
    if OUTPUT_OF[outcome.state] is OutputState.OFF and OUTPUT_OF[state] is not OutputState.OFF:
        assert event is Event.OFF_CONFIRMED


@pytest.mark.parametrize(("state", "event"), PRODUCT)
def test_switching_off_and_being_switched_off_go_together(state: ChannelState, event: Event) -> None:
    outcome = step(state, event)
    entered = outcome.state in BEING_SWITCHED_OFF and outcome.actions != (Action.REFUSE,)
    assert (Action.SWITCH_OFF in outcome.actions) == entered
    assert entered or outcome.state not in BEING_SWITCHED_OFF or outcome.state is state


@pytest.mark.parametrize(("state", "event"), PRODUCT)
def test_on_is_left_only_by_switching_off(state: ChannelState, event: Event) -> None:
    outcome = step(state, event)
    if state in MAY_BE_ON and outcome.state not in MAY_BE_ON:
        assert outcome.state in BEING_SWITCHED_OFF


@pytest.mark.parametrize(("state", "event"), PRODUCT)
def test_a_latch_is_released_by_rearm_from_tripped_alone(state: ChannelState, event: Event) -> None:
    if state in LATCHED and step(state, event).state not in LATCHED:
        assert (state, event) == (ChannelState.TRIPPED, Event.REARM)


def test_no_path_from_tripped_to_on_without_rearm() -> None:
    reached, todo = {ChannelState.TRIPPED}, deque([ChannelState.TRIPPED])
    while todo:
        state = todo.popleft()
        for event in set(Event) - {Event.REARM}:
            following = step(state, event).state
            if following not in reached:
                reached.add(following)
                todo.append(following)
    assert reached == LATCHED


def test_every_state_can_be_reached_and_on_takes_confirmation() -> None:
    reached, todo = {ChannelState.UNKNOWN}, deque([ChannelState.UNKNOWN])
    while todo:
        for (state, _), (following, _) in TABLE.items():
            if state in reached and following not in reached:
                reached.add(following)
                todo.append(following)
        todo.popleft()
    assert reached == set(ChannelState)
    into_on = {key for key, (following, _) in TABLE.items() if following is ChannelState.ON and key[0] is not following}
    assert into_on == {
        (ChannelState.STARTING, Event.ON_CONFIRMED),
        (ChannelState.ADJUSTING, Event.ON_CONFIRMED),
    }
    first = {key for key, (following, _) in TABLE.items() if following in POWERED and key[0] not in POWERED}
    assert {state for state, _ in first} == {ChannelState.STARTING}


@pytest.mark.parametrize("state", sorted(POWERED))
def test_in_every_powered_state_a_trip_and_a_lost_link_switch_off_and_latch(state: ChannelState) -> None:
    for event in (Event.TRIP, Event.LINK_LOST):
        assert step(state, event) == (ChannelState.TRIPPING, (Action.SWITCH_OFF,), True)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(list(Event)), max_size=40))
def test_off_in_a_chain_of_events_was_confirmed_since_it_may_have_been_on(events: list[Event]) -> None:
    state = ChannelState.UNKNOWN
    confirmed = False
    for event in events:
        outcome = step(state, event)
        if event is Event.OFF_CONFIRMED and outcome.listed:
            confirmed = True
        elif OUTPUT_OF[outcome.state] is not OutputState.OFF:
            confirmed = False
        assert OUTPUT_OF[outcome.state] is not OutputState.OFF or confirmed
        state = outcome.state


def test_the_picture_shows_every_transition_that_does_something() -> None:
    picture = diagram()
    assert picture.startswith("stateDiagram-v2\n")
    for (state, event), (following, actions) in TABLE.items():
        if state is following and set(actions) <= {Action.REFUSE}:
            continue
        arrow = f"{state.value.replace('-', '_')} --> {following.value.replace('-', '_')} : "
        assert any(arrow in line and event.value in line for line in picture.splitlines()), (state, event)
