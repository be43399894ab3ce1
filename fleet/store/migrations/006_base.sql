-- The sums of the last full refit: a quick one adds to them what changed since. The newest alone is kept.
-- Like a model it sums units up, in a small cell one alone, so forgetting a unit erases it.

create table model_base (
    only_row boolean primary key default true check (only_row),
    revision bigint not null,
    newest_intake integer not null,
    undone integer[] not null,  -- intakes that were undone then
    since date,                 -- only sheets from this day on taught
    made_at timestamp not null,
    version varchar not null,
    file blob not null          -- a tallies file
);
