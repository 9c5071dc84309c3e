"""No thing gets a name under which another page of the site would open."""

import pytest
from django.urls import resolve

from labsite.addresses import hidden_by
from labsite.errors import Refused
from labsite.roles import Role
from tests.reports.demo_site import person_with
from tests.reports.story_lab import build_story
from trials import actions


@pytest.mark.parametrize("name", ["episodes", "interests", "error-reports"])
def test_pages_beside_the_studies_at_the_desk_are_seen(name: str) -> None:
    # what the address opens is asked of the site itself, not of the code under test
    assert resolve(f"/desk/{name}/").url_name != "desk-study"
    assert hidden_by(name).startswith(f"/desk/{name}/")


@pytest.mark.parametrize("name", ["reed-waders", "episode", "an-interest-in-gloves"])
def test_other_names_are_free(name: str) -> None:
    assert resolve(f"/desk/{name}/").url_name == "desk-study"
    assert hidden_by(name) == ""


@pytest.mark.django_db
def test_a_study_of_that_name_is_refused_beside_its_field() -> None:
    study = build_story(method="belt-abrasion", arms={"New": 1, "Worn": 1}).study
    arms = [
        actions.ArmPlan(one.key, one.label, one.is_baseline, list(one.specimens.all()))
        for one in study.arms.all()
    ]
    with pytest.raises(Refused) as refused:
        actions.create_study(
            by=person_with(Role.LEAD),
            fields={"slug": "episodes", "title": "Episodes", "question": "What is left?"},
            arms=arms,
            methods=[actions.MethodPlan(study.study_methods.get().revision, None)],
        )
    assert list(refused.value.problems) == ["slug"]
    assert "/desk/episodes/" in str(refused.value)
