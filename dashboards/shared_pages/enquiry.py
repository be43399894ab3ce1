"""Enquiry, shared: what to expect of a pickup, without a word on the units behind it."""

from dashboards import enquiry_page, form, layout, shared, state
from dashboards.data.quotes import published_quote
from fleet import words

enquiry_page.ask()
found = layout.ready(model=False)
held = shared.groups(found)
facts = tuple(sorted(form.enquiry(found, {name: held.levels(name) for name in state.KIND}).items()))
policy = layout.policy()
asked = published_quote(found.path, found.revision, facts, policy)
enquiry_page.expectation(asked, policy)
enquiry_page.figures(asked, policy, shared.told_only(str(asked.row["basis"])))
layout.next_steps(
    [
        "Send the pickup in with whatever is known of it; each fact narrows the answer.",
        words.BENCH_DECIDES,
    ]
)
