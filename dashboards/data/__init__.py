"""What the pages show, fetched: the only cached functions, keyed by (path, revision, plain filters).

Each opens the store for one call, hands frames to a judgement and keeps the result; the revision in the key
is the state of the store's file, so a new intake or refit is seen at the next click and an unchanged store is
never read twice. What stands on sheets and model alone (`store_state.of_sheets`) outlives verdicts, quotes.
Frames of many sheets are fetched with the columns that a page counts by and no others, and are kept without
being copied: nothing that gets one may change it.
"""
