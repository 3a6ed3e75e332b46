// The mission files a ledger was filled with: kept as text, and joined into one mission that does not depend on their order.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import path from 'node:path';
import { LedgerError } from '../errors.js';
import type { FileFacts, Mission } from '../mission/mission.js';
import { parseMission } from '../mission/mission-file.js';
import type { Disk } from './disk.js';

/** A mission file: what it says, and the text that says it. */
export type MissionText = { readonly text: string; readonly mission: Mission };

/**
 * The mission files kept in a ledger, in a fixed order.
 *
 * @throws LedgerError where one cannot be read
 */
export function readMissions(ledger: string): MissionText[] {
  const folder = path.join(ledger, 'missions');
  const names = fs.readdirSync(folder).filter((name) => name.endsWith('.yaml'));
  return names.sort().map((name) => {
    const file = path.join(folder, name);
    const text = fs.readFileSync(file, 'utf8');
    try {
      return { text, mission: parseMission(text, file) };
    } catch {
      throw new LedgerError(
        'ledger-damaged',
        file,
        'is no longer a mission file; remove it and run `passweave recover` with --mission once more',
      );
    }
  });
}

/**
 * Adds the given mission file to the ledger's.
 *
 * @returns the mission that all of them make
 * @throws LedgerError when layers or frame differ, or there is no mission at all; nothing was changed
 */
export function keepMission(ledger: string, given: MissionText | undefined, disk: Disk): Mission {
  const known = readMissions(ledger);
  if (given) {
    const other = known.find(({ mission }) => chainOf(mission) !== chainOf(given.mission));
    if (other) {
      throw new LedgerError(
        'ledger-other-mission',
        ledger,
        `holds mission "${other.mission.name}", whose layers or frame differ from those of "${given.mission.name}"; nothing was changed, choose another --out folder`,
      );
    }
    if (!known.some(({ text }) => text === given.text)) {
      writeMission(ledger, given.text, disk);
      known.push(given);
    }
  }
  // The same whatever order the files came in: the fullest catalogue leads, ties are broken by the text.
  known.sort(
    (a, b) => b.mission.files.catalogue.length - a.mission.files.catalogue.length || (a.text < b.text ? -1 : 1),
  );
  const lead = known[0]?.mission;
  if (!lead) {
    throw new LedgerError(
      'ledger-damaged',
      path.join(ledger, 'missions'),
      'holds no mission file; run `passweave recover` with --mission once more',
    );
  }
  const catalogue = new Map<string, FileFacts>();
  for (const { mission } of known)
    for (const facts of mission.files.catalogue) catalogue.set(canonicalJson(facts), facts);
  const sensors = new Map(
    known.flatMap(({ mission }) => (mission.files.sensors ?? []).map((sensor) => [canonicalJson(sensor), sensor])),
  );
  const parameterSets = new Set(known.flatMap(({ mission }) => mission.files.parameterSets ?? []));
  const files = {
    ...lead.files,
    catalogue: [...catalogue.values()],
    ...(sensors.size > 0 && { sensors: [...sensors.values()] }),
    ...(parameterSets.size > 0 && { parameterSets: [...parameterSets] }),
  };
  return { ...lead, files };
}

export function writeMission(ledger: string, text: string, disk: Disk): void {
  const sha = createHash('sha256').update(text).digest('hex');
  disk.replace(path.join(ledger, 'missions', `${sha}.yaml`), text);
}

/** What must agree for two mission files to fill one ledger. */
function chainOf({ layers, frame }: Mission): string {
  return canonicalJson({ layers, frame: frame && { ...frame, marker: [...frame.marker] } });
}

/** JSON with keys in alphabetical order: in YAML their order means nothing. */
function canonicalJson(value: unknown): string {
  return JSON.stringify(value, (_, part: unknown) =>
    typeof part === 'object' && part !== null && !Array.isArray(part)
      ? Object.fromEntries(Object.entries(part).sort(([a], [b]) => (a < b ? -1 : 1)))
      : part,
  );
}
