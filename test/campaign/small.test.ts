// The two small campaigns end to end: CFDP in space packets, AOS frames and baseband frames; and frames in datagrams in GSE out of
// captures. What comes out is held against the true files; what inspection finds, against the mission file, also in recordings with
// garbage in front and baseband frames missing.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, describe, expect, test } from 'vitest';
import type { Coverage } from '../../src/index.js';
import { inspect, merge, packLedger, readMissionFile, recover } from '../../src/index.js';
import { noise } from '../layers/seeded.js';

const samples = fileURLToPath(new URL('../../samples', import.meta.url));
const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-test-'));
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

const trueFile = (name: string): Buffer => fs.readFileSync(path.join(samples, 'dotterel/files', name));
const isTrue = (name: string): boolean => fs.existsSync(path.join(samples, 'dotterel/files', name));

function checkFiles(out: string, { files }: Coverage): void {
  for (const { name, state, path: relative } of files.filter((file) => isTrue(file.name))) {
    const found = fs.readFileSync(path.join(out, relative!));
    const sent = Buffer.from(trueFile(name));
    if (state !== 'whole') {
      const gaps = JSON.parse(fs.readFileSync(path.join(out, `${relative}.gaps.json`), 'utf8')) as {
        missing: [number, number][];
      };
      for (const [start, end] of gaps.missing) sent.fill(0, start, end);
    }
    expect(found.equals(sent.subarray(0, found.length)), name).toBe(true);
    if (state === 'whole') expect(found.length).toBe(sent.length);
  }
}

describe.each(['packets', 'capture'])('%s', (name) => {
  const campaign = path.join(samples, name);
  const mission = path.join(campaign, 'mission.yaml');
  const stations = fs
    .readdirSync(path.join(campaign, 'recordings'))
    .map((entry) => path.join(campaign, 'recordings', entry));

  test('whole files are the true ones, incomplete ones are true outside their gaps, and merging changes nothing', async () => {
    const out = path.join(work, `${name}-all`);
    const { report } = await recover({ recordings: [path.join(campaign, 'recordings')], mission, out });
    checkFiles(out, report.coverage);
    const whole = report.coverage.files.filter((file) => file.state === 'whole').map((file) => file.name);
    expect(whole.length).toBeGreaterThanOrEqual(2);
    expect(whole.every(isTrue)).toBe(true);
    const zips: string[] = [];
    for (const [i, station] of stations.entries()) {
      const alone = path.join(work, `${name}-${i}`);
      const { report: own } = await recover({ recordings: [station], mission, out: alone });
      checkFiles(alone, own.coverage);
      zips.push(`${alone}.zip`);
      await packLedger(path.join(alone, 'ledger'), zips.at(-1)!);
    }
    for (const [i, order] of [zips, [...zips].reverse()].entries()) {
      const { report: merged } = await merge({ inputs: order, out: path.join(work, `${name}-merged-${i}`) });
      expect(merged.coverage).toEqual(report.coverage);
    }
  });

  test('inspection names the chain, also behind garbage and with every fiftieth baseband frame missing', async () => {
    const { layers } = await readMissionFile(mission);
    const raw = await streamOf(name);
    const units: Buffer[] = [];
    // Units of mode adaptation, where there is any, and a baseband frame.
    const size = name === 'packets' ? 2001 : 2005;
    for (let at = 0; at < raw.length; at += size) if ((at / size) % 50 !== 7) units.push(raw.subarray(at, at + size));
    const garbled = path.join(work, `${name}-garbled.bin`);
    fs.writeFileSync(garbled, Buffer.concat([noise(1024, 3), ...units]));
    for (const recording of [path.join(campaign, 'recordings'), garbled]) {
      const { inspections } = await inspect([recording]);
      for (const { chain } of inspections) {
        const found = chain!.chains[0]!.layers.map((layer) => layer.name);
        expect(found).toEqual(layers.map((layer) => layer.name));
      }
    }
  });
});

/** The bytes of a campaign's first recording, containers undone. */
async function streamOf(name: string): Promise<Buffer> {
  const { openRecordings } = await import('../../src/index.js');
  const { recordings } = await openRecordings([path.join(samples, name, 'recordings')]);
  const blocks: Buffer[] = [];
  for await (const { bytes } of recordings[0]!.blocks()) blocks.push(Buffer.from(bytes));
  return Buffer.concat(blocks);
}
