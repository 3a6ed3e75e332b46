// From a filled ledger to the coverage and the written files, descriptor and all.
import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, test } from 'vitest';
import { buildCoverage } from '../../src/coverage/build-coverage.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import { coverageSchema } from '../../src/report/coverage-schema.js';
import { factsOf } from '../files/assembled.js';
import {
  fillLedger,
  lossy,
  randomFiles,
  type SentFile,
  type Session,
  sendCarousel,
  smallMission,
} from '../support/campaign.js';

const described = smallMission({ files: ['descriptor: { file: 0 }'] });
const files = randomFiles([6, 12, 3]);

function descriptor(names: readonly string[], of: readonly SentFile[]): SentFile {
  const lines = of.map(
    (file, i) => `${file.file},${names[i]},${file.content.length},${factsOf(file).checksum!.value}\n`,
  );
  return { file: 0, content: Buffer.from(`file,name,bytes,md5\n${lines.join('')}`) };
}

async function build(ledger: Ledger) {
  const folder = new OutputFolder(path.join(ledger.folder, '..', 'out'));
  const campaign = await buildCoverage(ledger, folder, null);
  expect(coverageSchema.parse(campaign.coverage)).toEqual(campaign.coverage);
  return { folder, ...campaign };
}

const states = ({ coverage }: { coverage: { files: readonly { id: string; name: string; state: string }[] } }) =>
  coverage.files.map(({ id, name, state }) => `${id} ${name} ${state}`);

describe('the descriptor', () => {
  const list = descriptor(['limb.jpg', 'veil.png', 'sail.mp4'], files);
  const sent = sendCarousel([list, ...files], 60);
  const rows = Math.ceil(list.content.length / 16);

  test('names the files and proves them', async () => {
    const built = await build(fillLedger(described, [{ station: 'saltmarsh', heard: sent }]));
    expect(states(built)).toEqual([
      '0 descriptor.csv unproven',
      '1 limb.jpg whole',
      '2 veil.png whole',
      '3 sail.mp4 whole',
    ]);
    expect(fs.readFileSync(built.folder.resolve('files/veil.png')).equals(files[1]!.content)).toBe(true);
  });

  test('with a hole names those whose lines arrived; the others go by their numbers', async () => {
    // The first that begins inside the line of veil.png.
    const line = Math.ceil(Buffer.from(list.content).indexOf('veil') / 16);
    const heard = sent.filter(({ file, segment }) => file !== 0 || segment !== line);
    const built = await build(fillLedger(described, [{ station: 'saltmarsh', heard }]));
    const found = states(built);
    expect(found).toContain('1 limb.jpg whole');
    expect(found).toContain('2 file-2.bin unproven');
  });

  test('lost leaves every file unproven, and itself unlisted', async () => {
    const heard = sent.filter(({ file }) => file !== 0);
    const built = await build(fillLedger(described, [{ station: 'saltmarsh', heard }]));
    expect(states(built)).toEqual(['1 file-1.bin unproven', '2 file-2.bin unproven', '3 file-3.bin unproven']);
  });

  test('in a new edition names the files of both', async () => {
    const next = randomFiles([6, 12, 3], 2);
    const second = descriptor(['limb2.jpg', 'veil2.png', 'sail2.mp4'], next);
    const changing = sendCarousel([list, ...files], 8 * (rows + 21), {
      events: [{ at: 4 * (rows + 21), files: [second, ...next] }],
    });
    const built = await build(fillLedger(described, [{ station: 'saltmarsh', heard: changing }]));
    expect(
      states(built)
        .filter((state) => state.endsWith('whole'))
        .map((state) => state.split(' ')[1])
        .sort(),
    ).toEqual(['limb.jpg', 'limb2.jpg', 'sail.mp4', 'sail2.mp4', 'veil.png', 'veil2.png']);
    expect(built.coverage.notes).toContain(
      'File number 2 was used again for other content: its editions are kept apart.',
    );
  });
});

test('a file called as the list of gaps of another is, does not take its place', async () => {
  const list = descriptor(['limb.jpg', 'limb.jpg.gaps.json', 'sail.mp4'], files);
  const heard = sendCarousel([list, ...files], 60).filter(({ file, segment }) => file === 0 || segment !== 1);
  const { folder } = await build(fillLedger(described, [{ station: 'saltmarsh', heard }]));
  const gaps = JSON.parse(fs.readFileSync(folder.resolve('partial/limb.jpg.gaps.json'), 'utf8')) as { name: string };
  expect(gaps).toMatchObject({ name: 'limb.jpg', missing: [[16, 32]] });
  expect(fs.readdirSync(folder.resolve('partial'))).toContain('limb.jpg.gaps_json');
});

test('with byte offsets, missing ranges and strips are in bytes, counts in segments', async () => {
  const heard = sendCarousel(files, 21).filter(({ file, segment }) => file !== 2 || (segment !== 3 && segment !== 11));
  const { coverage, missing, strips } = await build(
    fillLedger(smallMission({ byOffset: true }), [{ station: 'saltmarsh', heard }]),
  );
  const size = files[1]!.content.length;
  expect(coverage.files[1]!.segments).toEqual({
    total: 12,
    received: 10,
    unit: 'byte',
    missing: [
      [48, 63],
      [176, size - 1],
    ],
  });
  expect(coverage.totals.segments).toEqual({ total: 21, received: 19, missing: 2 });
  expect(missing.map(({ first, last }) => [first, last])).toEqual(coverage.files[1]!.segments.missing);
  expect(strips[1]).toEqual({
    id: '2',
    total: size,
    runs: [
      [0, 47, 1],
      [48, 63, 0],
      [64, 175, 1],
      [176, size - 1, 0],
    ],
  });
});

test('the order in which recordings come changes nothing', async () => {
  const next = randomFiles([6, 12, 3], 2);
  const sent = sendCarousel(files, 300, {
    startCounter: 5000,
    events: [
      { at: 130, files: next },
      { at: 200, reboot: true },
    ],
  });
  const sessions = [0, 60, 100, 150].map((from, i): Session => {
    return { station: ['saltmarsh', 'highfell'][i % 2]!, heard: lossy(sent.slice(from, from + 140), 0.7, 6, i) };
  });
  const outcome = async (order: readonly Session[]) => {
    const { coverage, missing, strips } = await build(fillLedger(smallMission(), order));
    return { coverage, missing, strips };
  };
  const expected = await outcome(sessions);
  for (const order of [
    [3, 2, 1, 0],
    [1, 3, 0, 2],
    [2, 0, 3, 1],
  ]) {
    expect(await outcome(order.map((i) => sessions[i]!))).toEqual(expected);
  }
});
