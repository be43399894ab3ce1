-- Target policies under the fingerprint that results name, as they were when first used: an old result can be
-- made again. No names: a policy may be called after a customer. Keeping one is no change of the revision.

create table policy (
    fingerprint varchar primary key,
    text varchar not null,       -- TOML, complete, in a table [default]
    first_used_on date not null
);
