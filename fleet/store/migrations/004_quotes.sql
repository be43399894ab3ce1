-- Quotes as they were told, kept until the unit has been on the bench, and the forecasts of a back-test.
-- A quote made again from the same facts by the same model under the same policy is the same quote.
-- Quotes change nothing that is computed from sheets, so keeping one is no change of the store's revision.

create table kept_quote (
    quote_id bigint primary key,
    issued_at timestamp not null,
    after_intake integer not null,   -- newest intake then: a later one brings what the quote could not know
    origin date,                     -- a back-test's: no sheet from this day on taught; null = a quote told
    enquiry_id varchar,              -- null where the enquiry had no number of its own
    serial_token varchar,
    bench varchar,                   -- a back-test's: the sheet foretold
    sheet_no varchar,
    model_id integer,                -- null = mechanics and common practice alone
    model_revision bigint not null,
    taught_intake integer,           -- newest intake that taught the model
    facts varchar not null,          -- JSON: what was told
    policy varchar not null,         -- JSON: the target policy, whole
    policy_label varchar not null,
    standing varchar not null check (standing in ('known', 'new', 'not_told')), -- of the family told
    stretch varchar not null,        -- JSON: recalibration by quantity that the figures were told with
    p_rake_met double,
    p_tracking_met double,
    p_both_met double,
    p_made_wedge double,
    p_faulty double,
    price_low double,
    price_quoted double,
    price_high double,
    sag_deg float[],                 -- quantiles at the levels of fleet/models/forecasts.py
    sra_dynamic_deg float[],
    vta_dynamic_deg float[],
    built_in_deg float[],
    tilt_deg float[],
    bench_minutes float[],
    rivals varchar,                  -- a back-test's, JSON: scores of other forecasters
    check (origin is null or sheet_no is not null)
);

-- Corrections learnt from the record, the newest counts; text is JSON, null where it was switched off.
create table recalibration (
    recalibration_id integer primary key,
    made_at timestamp not null,
    text varchar
);

-- Which house model answers, the newest line counts; without one the newest model does.
create table model_use (
    use_id integer primary key,
    model_id integer not null,
    used_from timestamp not null,
    reason varchar not null
);
