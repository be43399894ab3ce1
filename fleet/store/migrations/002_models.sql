-- House models as plain numbers and texts: what was summed up, what was concluded, nothing that runs.

create table model (
    model_id integer primary key,
    revision bigint not null,
    units bigint not null,
    made_at timestamp not null,
    version varchar not null
);

create table model_array (
    model_id integer not null,
    name varchar not null,
    shape bigint[] not null,
    numbers double[] not null,
    primary key (model_id, name)
);

create table model_text (
    model_id integer not null,
    name varchar not null,
    text varchar not null,
    primary key (model_id, name)
);
