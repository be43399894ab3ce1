"""A policy written out as a policy file, complete, so that reading it gives the same policy again."""

from __future__ import annotations

import dataclasses
import json

from fleet.judgements.policy import DEFAULT_NAME, Policy


def as_toml(policy: Policy) -> str:
    """The text of a policy file whose `default` is this policy, whatever it was called.

    Every key stands there, also those that had their default: a later fleet may have other ones.
    """
    lines = [f"# Target policy {policy.fingerprint}", f"[{DEFAULT_NAME}]"]
    for field in dataclasses.fields(policy):
        value = getattr(policy, field.name)
        if field.name == "name" or value is None:
            continue
        lines.append(f"{field.name} = {json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"
