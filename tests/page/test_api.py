"""What programs get: as OpenAPI describes it, as OpenMetrics has it, as the commands' --json says it."""

import json

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from schemathesis.checks import load_all_checks

from wattround.page.metrics import KIND, exposition
from wattround.page.shapes import Now

pytestmark = pytest.mark.server


def test_the_document_names_every_address_and_what_each_may_answer(house):
    document = house.get("/openapi.json").json

    assert document["openapi"].startswith("3.1")
    assert set(document["paths"]) == {
        "/api/now", "/api/loads/{name}", "/api/episodes", "/api/account", "/api/bills", "/api/upkeep", "/api/hush",
        "/api/proofs", "/api/check", "/api/letters", "/api/letters/{week}",
        "/health", "/metrics",
    }  # fmt: skip
    for operations in document["paths"].values():
        for operation in operations.values():
            assert {"200", "400", "401", "421", "422", "429", "503"} <= set(operation["responses"])


def test_requests_made_up_from_the_document_are_answered_as_it_says(house):
    """Schemathesis: status, type and shape of each answer as documented, and never a failure of the server."""
    load_all_checks()
    checks = [
        schemathesis.checks.CHECKS.get_one(name)
        for name in (
            "not_a_server_error", "status_code_conformance", "content_type_conformance", "response_schema_conformance",
            "response_headers_conformance",
        )
    ]  # fmt: skip
    schema = schemathesis.openapi.from_dict(house.get("/openapi.json").json)
    schema.config.update(base_url=house.url)
    asked = 0
    for found in schema.get_all_operations():
        operation = found.ok()

        @settings(
            max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck), database=None
        )
        def ask(case):
            nonlocal asked
            asked += 1
            case.call_and_validate(checks=checks, headers={"Origin": house.url})

        given(case=operation.as_strategy())(ask)()
    assert asked > 100
    assert house.get("/").status == 200


def test_the_metrics_can_be_read_by_the_reference_parser(house):
    """prometheus_client's own parser of OpenMetrics 1.0."""
    answer = house.get("/metrics")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    watts = {sample.labels["meter"]: sample.value for sample in families["wattround_meter_power_watts"].samples}

    assert answer.headers["content-type"] == KIND
    assert answer.text.endswith("# EOF\n")
    assert watts["tv"] == 120
    assert families["wattround_episodes_open"].samples[0].value == 1
    assert families["wattround_meter_readings"].type == "counter"
    today = house.get("/api/now").json["meters"][1]["today_in_wh"]
    joules = {each.labels["meter"]: each.value for each in families["wattround_meter_today_joules"].samples}["tv"]
    assert joules == pytest.approx(today * 3600, rel=0.01)


def test_names_in_metrics_are_escaped(house):
    """OpenMetrics 1.0, 3.1.3: backslash, quote and line end."""
    facts = house.run.inbox.ask("now").result(timeout=30)
    odd = 'a"b\\c\nd'
    facts["meters"][0]["name"] = odd
    families = {family.name: family for family in text_string_to_metric_families(exposition(facts))}

    assert odd in {sample.labels["meter"] for sample in families["wattround_meter_power_watts"].samples}


def test_what_the_core_says_of_now_fits_the_documented_shape(house):
    facts = house.run.inbox.ask("now").result(timeout=30)
    known = Now.model_validate(facts).model_dump()

    assert set(facts) - set(known) == {"bad_payloads", "daemon"}
    assert set(facts["meters"][0]) == set(known["meters"][0])
    assert set(facts["episodes"][0]) == set(known["episodes"][0])


def test_a_hush_by_the_api_is_the_commands(house):
    def hush(**asked):
        return house.ask("POST", "/api/hush", json.dumps(asked).encode(), {"Content-Type": "application/json"})

    assert hush(do="hush", rule="tv-nobody-home", load="tv", for_s=7200).json == {
        "done": "tv-nobody-home, tv: hushed for 2 h"
    }
    assert hush(do="unhush", rule="tv-nobody-home").json == {"done": "tv-nobody-home: speaks again"}
    assert hush(do="hush", rule="none").status == 400
    assert hush(do="hush", rule="tv-nobody-home", for_s=-1).status == 422
    assert hush(do="switch-off", rule="tv-nobody-home").json["found"][0]["where"] == "body.do"
    assert hush(do="hush", rule="tv-nobody-home", until="off", for_s=5).status == 400


def test_answers_for_programs_are_those_of_the_commands(house):
    assert house.get("/api/bills").json == {"house": "testhouse", "currency": "EUR", "bills": []}
    profile = house.get("/api/account?period=today&load=tv").json
    assert len(profile["cells"]) == 7 * 24
    assert house.get("/api/account?period=today&load=none").status == 400
    assert house.get("/api/account?from=2026-05-31&to=2026-06-01&against=2026-05-30..2026-05-29").status == 400
    upkeep = house.get("/api/upkeep").json
    assert (upkeep["broker"], upkeep["archive_cursor_minute"]) == ("connected", None)
    assert upkeep["channels"][0]["channel"] == "phone"
    month = house.get("/api/loads/tv?span=month").json
    assert month["energy_kwh"] == pytest.approx(house.run.energy_uwh("tv") / 1e9, abs=0.003)
