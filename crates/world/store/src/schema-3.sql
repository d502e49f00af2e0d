-- From version 2 to 3: the injector's clock, supply rails, what the ECC code lets a working machine report, kept latencies.

-- The injector's clock ------------------------------------------------------------------------------------------------------

-- Supply rails --------------------------------------------------------------------------------------------------------------

-- What the code allows ------------------------------------------------------------------------------------------------------

-- Shares and probabilities are in whole millionths.
ALTER TABLE injection ADD COLUMN code TEXT;                -- the ECC code that the following was worked out from; NULL: the sender or the configuration said it, or nobody knows
ALTER TABLE injection ADD COLUMN corrected_ppm INTEGER;    -- of the reports that a working machine gives, the share that says corrected; NULL: not known
ALTER TABLE injection ADD COLUMN miscorrected_ppm INTEGER NOT NULL DEFAULT 0; -- of those that say corrected, the share that is a miscorrection
ALTER TABLE injection ADD COLUMN seen_ppm INTEGER;         -- probability that a shot makes an error that is read and reported; NULL: not known
ALTER TABLE injection ADD COLUMN syndromes TEXT;           -- JSON array of what the code can give; NULL: not known
UPDATE injection SET corrected_ppm = CASE expect WHEN 'corrected' THEN 1000000 ELSE 0 END WHERE expect IS NOT NULL;

ALTER TABLE slot ADD COLUMN code TEXT;                     -- the ECC code that the slot is taken to have; NULL: nobody knows

-- The report says corrected, and the code more likely than not took several wrong bits for another one: the data are wrong then.
ALTER TABLE shot ADD COLUMN dangerous INTEGER NOT NULL DEFAULT 0;
CREATE INDEX shot_dangerous ON shot (run, slot) WHERE dangerous > 0;

ALTER TABLE slot_total ADD COLUMN dangerous INTEGER NOT NULL DEFAULT 0;
ALTER TABLE slot_total ADD COLUMN foreseen INTEGER NOT NULL DEFAULT 0;     -- shots of which seen_ppm is known
ALTER TABLE slot_total ADD COLUMN foreseen_ppm INTEGER NOT NULL DEFAULT 0; -- the sum of their seen_ppm

-- Kept latencies ------------------------------------------------------------------------------------------------------------
