-- What a pull was announced with besides: the car's set-up, and of a customer's
-- car how its engine is charged and its swept volume. Pulls from before say
-- nothing of it.
ALTER TABLE pulls
    ADD COLUMN IF NOT EXISTS set_up String COMMENT 'of the car, as far as it acts on its losses' CODEC(ZSTD(1)),
    ADD COLUMN IF NOT EXISTS charging LowCardinality(String) COMMENT 'of a customer''s car: none, turbo, mechanical',
    ADD COLUMN IF NOT EXISTS displacement_m3 Nullable(Float64) COMMENT 'swept volume of a customer''s car''s engine'
