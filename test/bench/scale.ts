// npm run bench:scale [-- --stations 40 --files 1000 --segments 5000]: stations handed in one after the other to one ledger, each in a
// process of its own. Prints for each what it cost: it should cost what its recording costs, however full the ledger is, and memory
// should not grow with the recordings.
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { readMissionFile } from '../../src/mission/mission-file.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { fillLedger } from './fill-program.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const work = path.join(root, '.bench', 'scale');
const missionFile = path.join(root, 'test/bench/mission-scale.yaml');
/** Of all transmissions of one round, what a station hears: in so many stretches. */
const SHARE = 0.125;
const STRETCHES = 5;

const { values } = parseArgs({
  options: {
    stations: { type: 'string', default: '40' },
    files: { type: 'string', default: '1000' },
    segments: { type: 'string', default: '5000' },
  },
});
const [stations, files, segments] = [Number(values.stations), Number(values.files), Number(values.segments)];
const mission = await readMissionFile(missionFile);
const frame = mission.frame!;

fs.rmSync(work, { recursive: true, force: true });
fs.mkdirSync(work, { recursive: true });
console.log('| station | recording | seconds | most memory | written |\n|---|---|---|---|---|');
for (let station = 1; station <= stations; station++) {
  const recording = path.join(work, `station-${station}.bin`);
  const bytes = record(recording, station);
  const { seconds, rssMB, writtenMB } = fillLedger(missionFile, path.join(work, 'ledger'), 1, 'sync', [recording]);
  const cells = [
    `${(bytes / 1e6).toFixed(0)} MB`,
    seconds.toFixed(2),
    `${rssMB.toFixed(0)} MB`,
    `${writtenMB.toFixed(0)} MB`,
  ];
  console.log(`| ${station} | ${cells.join(' | ')} |`);
  fs.rmSync(recording);
}
fs.rmSync(work, { recursive: true });

/** Writes what one station heard; returns its bytes. */
function record(file: string, station: number): number {
  const fd = fs.openSync(file, 'w');
  const random = seededRandom(station, 'scale');
  const round = files * segments;
  const length = Math.floor((round * SHARE) / STRETCHES);
  const payload = Buffer.alloc(frame.payload.size);
  let bytes = 0;
  let block: Uint8Array[] = [];
  const flush = (): void => {
    bytes += fs.writevSync(fd, block);
    block = [];
  };
  const encoder = encodeChain(mission.layers, (unit) => {
    block.push(Uint8Array.from(unit));
    if (block.length === 1000) flush();
  });
  const starts = Array.from({ length: STRETCHES }, () => Math.floor(random.float() * (round - length)));
  for (const start of starts.sort((a, b) => a - b)) {
    for (let counter = start; counter < start + length; counter++) {
      payload.writeUInt32LE(counter, 0);
      payload.writeUInt32LE(Math.imul(counter, 0x9e3779b1) >>> 0, 4);
      const values = { file: 1 + Math.floor(counter / segments), segment: counter % segments, segments };
      encoder.push(encodeFrame(frame, { counter, ...values, length: payload.length }, payload), true);
    }
  }
  encoder.flush();
  flush();
  fs.closeSync(fd);
  return bytes;
}
