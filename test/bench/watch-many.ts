// tsx test/bench/watch-many.ts [--files 1000] [--loss 0.002] [--seconds 30], after a build: `passweave watch` of a campaign of very many
// files of 5,000 segments, two stations in its ledger and a third one coming in, while its page is open. Prints how often the page's
// figures change and what the program takes of a core.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { encodeFrame } from '../../src/layers/frame.js';
import { readMission } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { launchBrowser } from '../support/browser.js';

const SEGMENTS = 5000;
const { values } = parseArgs({
  options: {
    files: { type: 'string', default: '1000' },
    loss: { type: 'string', default: '0.002' },
    seconds: { type: 'string', default: '30' },
  },
});
const [files, loss, seconds] = [Number(values.files), Number(values.loss), Number(values.seconds)];
const root = fileURLToPath(new URL('../..', import.meta.url));
const program = path.join(root, 'bin/passweave.js');
const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-bench-'));
const [missionFile, recorded, out] = ['mission.yaml', 'recordings', 'out'].map((name) => path.join(work, name)) as [
  string,
  string,
  string,
];
fs.writeFileSync(
  missionFile,
  `mission: Dotterel
downlink: { rate: 288 kbit/s, rotation: 94 s }
layers: [stream]
frame:
  marker: 1ACFFC1D
  length: 36
  fields:
    counter:  { at: 4, bits: 32 }
    file:     { at: 8, bits: 16 }
    segment:  { at: 10, bits: 24 }
    segments: { at: 13, bits: 24 }
    length:   { at: 16, bits: 16 }
  payload: { at: 18, size: 16 }
  crc: { name: CRC-16/IBM-3740, at: 34, covers: [0, 34] }
`,
);
const { frame } = readMission(missionFile).mission;
record(['saltmarsh', 'highfell'], files, loss);
// Watched from the start, so that the ledger is filled by the program itself.
const watching = spawn(process.execPath, [program, 'watch', recorded, '--mission', missionFile, '--out', out], {
  stdio: ['ignore', 'ignore', 'pipe'],
});
let said = '';
watching.stderr.on('data', (text) => (said += text));
while (!/Live page: \S+/.test(said)) await sleep(50);
const browser = await launchBrowser();
const page = await browser.newPage();
await page.goto(`${/Live page: (\S+)/.exec(said)![1]}#files`);
await page.locator('.live').waitFor();
console.log('taking in the recordings of two stations …');
let facts = '';
for (let same = 0; same < 10; same++) {
  await sleep(1000);
  const now = (await page.locator('.live').textContent())!.replace(/as of.*?\)/, '');
  const size = fs.existsSync(path.join(out, 'coverage.json'));
  if (now !== facts || !size) same = 0;
  facts = now;
}
// Those that come in, and some others.
await page.getByLabel('Name or number').fill('file-10');
await page.evaluate(`window.changes = 0; let last = '';
  setInterval(() => {
    const now = [...document.querySelectorAll('#view-files .facts')].slice(0, 50).map((own) => own.textContent).join();
    if (last && now !== last) window.changes++;
    last = now;
  }, 50)`);
const began = performance.now();
const before = usageOf(watching.pid!);
const growing = path.join(recorded, 'pinebarren');
fs.mkdirSync(growing);
// What is missing of the first files comes, each frame of them, four at a time in turn so that many files change.
let counter = files * SEGMENTS;
for (let step = 0; performance.now() - began < seconds * 1000; step++) {
  const frames: Uint8Array[] = [];
  for (let i = 0; i < 500; i++) {
    const place = step * 500 + i;
    const file = files + 1 + (place % 20);
    frames.push(encode(counter++, file, Math.floor(place / 20) % SEGMENTS));
  }
  fs.appendFileSync(path.join(growing, 'pinebarren-20270314T031530Z.bin'), Buffer.concat(frames));
  await sleep(100);
}
const took = (performance.now() - began) / 1000;
const used = usageOf(watching.pid!) - before;
const changes = await page.evaluate<number>('window.changes');
if (process.env['SCREENSHOTS'])
  await page.screenshot({ path: path.join(process.env['SCREENSHOTS'], 'watch-many.png') });
console.log(`${files} x ${SEGMENTS}, loss ${loss}; Node ${process.version}; load ${os.loadavg()[0]!.toFixed(1)}`);
console.log(`page: its figures changed ${changes} times in ${took.toFixed(0)} s (${(changes / took).toFixed(1)}/s)`);
console.log(`the program took ${((100 * used) / took).toFixed(0)} % of one core`);
await browser.close();
watching.kill('SIGKILL');
await once(watching, 'exit');
fs.rmSync(work, { recursive: true, force: true });

function encode(count: number, file: number, segment: number): Uint8Array {
  const payload = Buffer.alloc(16);
  payload.writeUInt32LE(file, 0);
  payload.writeUInt32LE(segment, 4);
  return Uint8Array.from(
    encodeFrame(frame!, { counter: count, file, segment, segments: SEGMENTS, length: 16 }, payload),
  );
}

/** One turn of the carousel as each station heard it. */
function record(stations: readonly string[], fileCount: number, lost: number): void {
  const random = seededRandom(1, 'many');
  for (const station of stations) fs.mkdirSync(path.join(recorded, station), { recursive: true });
  for (let file = 1, count = 0; file <= fileCount; file++) {
    const heard = stations.map((): Uint8Array[] => []);
    for (let segment = 0; segment < SEGMENTS; segment++, count++) {
      const own = encode(count, file, segment);
      for (const frames of heard) if (random.float() >= lost) frames.push(own);
    }
    stations.forEach((station, i) => {
      fs.appendFileSync(path.join(recorded, station, `${station}-20270314T021530Z.bin`), Buffer.concat(heard[i]!));
    });
  }
}

/** Seconds of processor time of a process so far (proc(5), in hundredths). */
function usageOf(pid: number): number {
  const fields = fs.readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]!.split(' ');
  return (Number(fields[11]) + Number(fields[12])) / 100;
}
