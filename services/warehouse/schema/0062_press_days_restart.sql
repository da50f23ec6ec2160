-- Length found bad downstream, and the first meters after cleans against the press's steady share.
ALTER TABLE press_days ADD COLUMN IF NOT EXISTS downstream_mm Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS restart_cleans Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS restart_mm Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS restart_waste_mm Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS restart_excess_mm Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS restart_squares_cm2 Int64 CODEC(T64, ZSTD(1))
