// Rehearsals through other layers than those of the scenario: what the main job makes of them is what was sent.
import { createHash } from 'node:crypto';
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { recover } from '../../src/recover.js';
import { type ChainRehearsalOptions, type ChainTruth, rehearseChain } from '../../src/rehearsal/rehearse-chain.js';
import { defaultStations, faultlessStation } from '../../src/rehearsal/stations.js';
import { ROUGH_STATIONS, scratchFolder, smallMission, writeFiles } from './campaign.js';

const sha256 = (bytes: Uint8Array): string => createHash('sha256').update(bytes).digest('hex');

async function run(layers: string, options: Partial<ChainRehearsalOptions> = {}) {
  const folder = scratchFolder();
  const missionFile = join(folder, 'mission.yaml');
  const text = `mission: Small\ndownlink: { rate: 400 kbit/s, rotation: 4 s }\nlayers: ${layers}\n`;
  writeFileSync(missionFile, text);
  const mission = parseMission(text, missionFile);
  const files = writeFiles(folder);
  await rehearseChain({ mission, files, outDir: folder, seconds: 12, stations: ROUGH_STATIONS, ...options });
  const truth = JSON.parse(readFileSync(join(folder, 'truth.json'), 'utf8')) as ChainTruth;
  const out = join(folder, 'out');
  const { report } = await recover({ recordings: [join(folder, 'recordings')], mission: missionFile, out });
  return { truth, out, coverage: report.coverage, folder };
}

const aosChain =
  '[{dvb-s2: {frame: 1194}}, stream, {cadu: {length: 512}}, {aos: {vcid: 3, length: 508}}, {packets: {apid: 5}}, cfdp]';

describe.each([
  ['a file delivery in packets, AOS frames and baseband frames', aosChain],
  [
    'a file delivery in packets and TM frames',
    '[{cadu: {length: 512}}, {tm: {vcid: 1, length: 508}}, {packets: {apid: 5}}, cfdp]',
  ],
  [
    'a file delivery in datagrams and generic stream encapsulation',
    '[{dvb-s2: {frame: 1194}}, gse, {udp: {port: 5005}}, cfdp]',
  ],
])('%s', (_, layers) => {
  test('heard without a flaw, comes out whole, and is the same from the same seed', async () => {
    const options = { stations: [faultlessStation('saltmarsh', 0, 12)], beam: null };
    const { truth, out, coverage, folder } = await run(layers, options);
    expect(truth.units.bytes).toBeGreaterThan(500);
    expect(truth.stations[0]!.units).toEqual([[0, truth.stations[0]!.channel.sent - 1]]);
    expect(coverage.files.map(({ name, state }) => `${name} ${state}`)).toEqual(
      truth.files.map(({ name }) => `${name} whole`),
    );
    for (const { name, sha256: expected } of truth.files) {
      expect(sha256(readFileSync(join(out, 'files', name)))).toBe(expected);
    }
    const again = await run(layers, options);
    const bytes = (at: string) =>
      readdirSync(join(at, 'recordings', 'saltmarsh')).map((name) =>
        sha256(readFileSync(join(at, 'recordings', 'saltmarsh', name))),
      );
    expect(bytes(again.folder)).toEqual(bytes(folder));
  });

  test('heard with losses by several stations, gives nothing that was not sent', async () => {
    const { truth, out, coverage } = await run(layers, {
      seconds: 60,
      stations: defaultStations(['saltmarsh', 'highfell', 'pinebarren'], 60),
    });
    expect(coverage.stations.map(({ name }) => name).sort()).toEqual(truth.stations.map(({ name }) => name).sort());
    expect(coverage.files.some(({ state }) => state === 'whole')).toBe(true);
    for (const { name, state, path } of coverage.files) {
      if (state !== 'whole') continue;
      const known = truth.files.map((file) => file.sha256);
      expect(known, name).toContain(sha256(readFileSync(join(out, ...path!.split('/')))));
    }
    expect(coverage.files.filter(({ state }) => state === 'disputed')).toEqual([]);
    for (const { channel, units } of truth.stations) {
      const whole = units!.reduce((sum, [first, last]) => sum + last + 1 - first, 0);
      expect(whole).toBeLessThanOrEqual(channel.sent - channel.lost - channel.damaged);
      expect(whole).toBeGreaterThan(0);
    }
  });
});

test('a reboot begins the transactions again, and a file replaced is sent with its new content', async () => {
  const folder = scratchFolder();
  const next = join(folder, 'next.bin');
  writeFileSync(next, Buffer.alloc(15_000, 'sail'));
  const { truth, coverage, out } = await run(aosChain, {
    stations: [faultlessStation('saltmarsh', 0, 12)],
    beam: null,
    seconds: 12,
    events: { rebootBefore: 250, replacements: [{ from: 60, file: 2, path: next }] },
    delivery: { checksumType: 3, segmentBytes: 512 },
  });
  expect(truth.files.map(({ file, edition }) => `${file}.${edition}`)).toEqual(['1.1', '2.1', '2.2', '3.1', '4.1']);
  expect(truth.files[0]!.sent.map(({ run: onboard, transaction }) => `${onboard} ${transaction}`)).toContain('2 1-1');
  expect(coverage.files.filter(({ state }) => state === 'whole')).toHaveLength(5);
  const written = coverage.files.map(({ path }) => sha256(readFileSync(join(out, ...path!.split('/')))));
  for (const { sha256: expected } of truth.files) expect(written).toContain(expected);
});

test("frames of the mission's own go through other layers too", async () => {
  const folder = scratchFolder();
  const mission = { ...smallMission(), layers: [{ name: 'packets', options: { apid: 5 } }] };
  const files = writeFiles(folder);
  await rehearseChain({
    mission,
    files,
    outDir: folder,
    seconds: 6,
    stations: [faultlessStation('saltmarsh', 0, 6)],
    beam: null,
  });
  const truth = JSON.parse(readFileSync(join(folder, 'truth.json'), 'utf8')) as ChainTruth;
  expect(truth.units.bytes).toBe(226);
  expect(truth.files[1]!.sent[0]).toMatchObject({ run: 1, transaction: null });
});

test('without a rate there is no rehearsal', async () => {
  const mission = parseMission('mission: Small\nlayers: [cfdp]\n', 'm.yaml');
  await expect(rehearseChain({ mission, files: '.', outDir: scratchFolder() })).rejects.toThrow(UsageError);
});
