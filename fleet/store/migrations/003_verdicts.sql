-- What units turned out to be: every verdict ever recorded, the newest of a unit counts.
-- revision is the store's revision that recording it made; such changes make no house model old.

create table verdict (
    revision bigint primary key,
    unit varchar not null,
    outcome varchar not null check (outcome in ('confirmed', 'healthy', 'other_fault')),
    fault varchar,
    recorded_on date not null,
    check ((outcome = 'confirmed') = (fault is not null))
);

create view current_verdict as
select unit, outcome, fault, recorded_on
from verdict
qualify row_number() over (partition by unit order by revision desc) = 1;
