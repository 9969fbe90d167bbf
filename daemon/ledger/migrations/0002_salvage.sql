-- What could be read in part only of an offload's card: JSON, a list of objects
-- as Salvage in the package has them. An offload without any is sealed as before.
ALTER TABLE offloads ADD COLUMN salvaged TEXT NOT NULL DEFAULT '[]';
