// The main job on the sample campaign, against what the rehearsal says is true (samples/dotterel/truth.json, computed by
// arithmetic on stream positions and not by our decoder) and against the true files themselves.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import sharp from 'sharp';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { rangePairs, unionRanges } from '../../src/bytes/ranges.js';
import { placeLedger } from '../../src/coverage/build-coverage.js';
import type { Coverage } from '../../src/index.js';
import { Ledger, merge, packLedger, recover } from '../../src/index.js';
import type { RehearsalTruth } from '../../src/rehearsal/truth.js';

const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const mission = path.join(campaign, 'mission.yaml');
const truth = JSON.parse(fs.readFileSync(path.join(campaign, 'truth.json'), 'utf8')) as RehearsalTruth;
const stations = truth.stations.map(({ name }) => name);
const handedIn: Record<string, string> = Object.fromEntries(
  fs
    .readdirSync(path.join(campaign, 'recordings'))
    .map((name) => [name.replace(/[-.].*/, ''), path.join(campaign, 'recordings', name)]),
);

const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-test-'));
const outOf = (name: string): string => path.join(work, name);
const coverageOf = (out: string): Coverage =>
  JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as Coverage;

beforeAll(async () => {
  await recover({ recordings: [path.join(campaign, 'recordings')], mission, out: outOf('all') });
  for (const station of stations) await recover({ recordings: [handedIn[station]!], mission, out: outOf(station) });
});
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

/** Name and content of every file below `folder`. */
function contents(folder: string): Record<string, string> {
  return Object.fromEntries(
    fs
      .readdirSync(folder)
      .sort()
      .map((name) => [name, fs.readFileSync(path.join(folder, name)).toString('base64')]),
  );
}

describe('all four stations together', () => {
  test('every whole file is the true file, byte for byte', () => {
    const { files } = coverageOf(outOf('all'));
    const whole = files.filter(({ state }) => state === 'whole');
    expect(whole.map(({ name }) => name).sort()).toEqual(
      truth.files
        .filter(({ file, missing }) => file > 0 && missing.length === 0)
        .map(({ name }) => name)
        .sort(),
    );
    for (const { path: relative, name } of whole) {
      const recovered = fs.readFileSync(path.join(outOf('all'), relative!));
      expect(recovered.equals(fs.readFileSync(path.join(campaign, 'files', name))), name).toBe(true);
    }
  });

  test('some files stay partial, and each is the true file outside its gaps and zero inside', () => {
    const { files } = coverageOf(outOf('all'));
    const partial = files.filter(({ state }) => state === 'partial');
    expect(partial.length).toBeGreaterThan(0);
    for (const { path: relative, name } of partial) {
      const recovered = fs.readFileSync(path.join(outOf('all'), relative!));
      const expected = fs.readFileSync(path.join(campaign, 'files', name));
      const { missing, bytes } = JSON.parse(
        fs.readFileSync(path.join(outOf('all'), `${relative}.gaps.json`), 'utf8'),
      ) as { missing: [number, number][]; bytes: number };
      expect(bytes).toBe(expected.length);
      for (const [start, end] of missing) expected.fill(0, start, end);
      expect(recovered.equals(expected), name).toBe(true);
    }
  });

  test('whole pictures and clips are described by general decoders', async () => {
    for (const { name, state, media } of coverageOf(outOf('all')).files) {
      if (state !== 'whole' || !/\.(jpg|png)$/.test(name)) continue;
      const { width, height } = await sharp(path.join(campaign, 'files', name)).metadata();
      expect(media, name).toMatchObject({ kind: 'picture', width, height });
    }
  });

  test('the clip and the picture that stay partial have something to look at, with a note of what is missing', () => {
    const partial = coverageOf(outOf('all')).files.filter(({ state }) => state === 'partial');
    for (const { name, salvage } of partial) {
      expect(salvage, name).not.toBeNull();
      expect(fs.statSync(path.join(outOf('all'), salvage!.path)).size).toBeGreaterThan(0);
      expect(salvage!.note.length).toBeGreaterThan(20);
    }
  });
});

describe.each([...stations.map((name) => [name, [name]] as const), ['all', stations] as const])(
  'coverage of %s',
  (out, heard) => {
    test('missing ranges equal the truth, segment for segment', () => {
      const { files } = coverageOf(outOf(out));
      for (const known of truth.files) {
        const found = files.find(({ file }) => file === known.file);
        const received = unionRanges(
          heard.map((name) => known.stations[name]!.flatMap(([first, last]) => [first, last + 1])),
        );
        if (received.length === 0 && !found) continue;
        const pairs = rangePairs(received);
        const missing: [number, number][] = [];
        let from = 0;
        for (const [start, end] of [...pairs, [known.segments, known.segments] as const]) {
          if (start > from) missing.push([from, start - 1]);
          from = end;
        }
        expect(found?.segments, `${known.name} at ${out}`).toMatchObject({ total: known.segments, missing });
      }
    });

    test('segments counted by station equal the truth', () => {
      for (const { file, stations: counts } of coverageOf(outOf(out)).files) {
        const known = truth.files.find((entry) => entry.file === file)!;
        for (const name of heard) {
          expect(counts[name] ?? 0).toBe(
            known.stations[name]!.reduce((sum, [first, last]) => sum + last - first + 1, 0),
          );
        }
      }
    });
  },
);

test('the transmissions received by each station equal the truth, counter for counter', () => {
  for (const out of ['all', ...stations]) {
    const ledger = Ledger.open(path.join(outOf(out), 'ledger'));
    const placements = placeLedger(ledger);
    for (const name of out === 'all' ? stations : [out]) {
      const heard = [...ledger.receptions.values()]
        .filter(({ station }) => station === name)
        .map(({ xxh64, runs }) =>
          unionRanges(
            runs.map(({ stretch, counter, count }) => [
              counter + placements.get(xxh64)![stretch]!.shift,
              counter + count + placements.get(xxh64)![stretch]!.shift,
            ]),
          ),
        );
      const known = truth.stations
        .find((station) => station.name === name)!
        .received.flatMap(({ counters }) => counters);
      expect(
        rangePairs(unionRanges(heard)).map(([start, end]) => [start, end - 1]),
        `${name} in ${out}`,
      ).toEqual(known);
    }
    ledger.close();
  }
});

describe('merging', () => {
  const reference = (): { coverage: Coverage; files: Record<string, string>; partial: Record<string, string> } => ({
    coverage: coverageOf(outOf('all')),
    files: contents(path.join(outOf('all'), 'files')),
    partial: contents(path.join(outOf('all'), 'partial')),
  });
  const expectSame = (out: string): void => {
    const expected = reference();
    expect(coverageOf(out)).toEqual(expected.coverage);
    expect(contents(path.join(out, 'files'))).toEqual(expected.files);
    expect(contents(path.join(out, 'partial'))).toEqual(expected.partial);
  };
  const permutations = (names: readonly string[]): string[][] =>
    names.length < 2
      ? [[...names]]
      : names.flatMap((name) => permutations(names.filter((other) => other !== name)).map((rest) => [name, ...rest]));

  test('all orders of four ledgers give the same coverage and the same files as recovering everything at once', async () => {
    for (const order of permutations(stations)) {
      const out = outOf(`merged-${order.join('-')}`);
      await merge({ inputs: order.map(outOf), out });
      expectSame(out);
      fs.rmSync(out, { recursive: true });
    }
  });

  test('four ledgers pairwise, sent as zips, give the same', async () => {
    const zips = await Promise.all(
      stations.map(async (name) => {
        const zip = outOf(`${name}.ledger.zip`);
        await packLedger(path.join(outOf(name), 'ledger'), zip);
        return zip;
      }),
    );
    await merge({ inputs: zips.slice(0, 2), out: outOf('pair-1') });
    await merge({ inputs: zips.slice(2), out: outOf('pair-2') });
    await merge({ inputs: [outOf('pair-2'), outOf('pair-1')], out: outOf('pairs') });
    expectSame(outOf('pairs'));
  });

  test('one station alone, merged, is that station; merged twice it is still the same', async () => {
    const name = stations[0]!;
    await merge({ inputs: [outOf(name), outOf(name)], out: outOf('alone') });
    await merge({ inputs: [outOf(name)], out: outOf('alone') });
    expect(coverageOf(outOf('alone'))).toEqual(coverageOf(outOf(name)));
  });

  test('handing the same recordings in again changes nothing', async () => {
    const before = fs.readFileSync(path.join(outOf('all'), 'coverage.json'), 'utf8');
    const outcome = await recover({ recordings: [path.join(campaign, 'recordings')], mission, out: outOf('all') });
    expect(outcome.recordings).toEqual({ read: 5, known: 5 });
    expect(fs.readFileSync(path.join(outOf('all'), 'coverage.json'), 'utf8')).toBe(before);
  });
});
