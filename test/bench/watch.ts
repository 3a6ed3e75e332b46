// tsx test/bench/watch.ts [--seconds 60] [--mbit 40], after a build: baseband frames sent to `passweave watch` on loopback while its page
// is open in a browser and pictures are drawn. Prints datagrams sent, kept and lost, of which none may be lost, and how often the page's
// figures changed. SCREENSHOTS names a folder for a picture of the page.

import { spawn } from 'node:child_process';
import { createHash } from 'node:crypto';
import { createSocket } from 'node:dgram';
import { once } from 'node:events';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import sharp from 'sharp';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { readMission } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { launchBrowser } from '../support/browser.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const { values } = parseArgs({
  options: { seconds: { type: 'string', default: '60' }, mbit: { type: 'string', default: '40' } },
});
const seconds = Number(values.seconds);
const bytesPerSecond = (Number(values.mbit) * 1e6) / 8;
const LOSS = 0.01;

const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-bench-'));
const out = path.join(work, 'out');
const missionFile = path.join(root, 'samples/dotterel/mission.yaml');
const { mission } = readMission(missionFile);
const datagrams = await makeDatagrams(seconds * bytesPerSecond);

const program = spawn(
  process.execPath,
  [path.join(root, 'bin/passweave.js'), 'watch', 'udp://127.0.0.1:0', '--mission', missionFile, '--out', out],
  { stdio: ['ignore', 'ignore', 'pipe'] },
);
let said = '';
program.stderr.on('data', (text) => (said += text));
while (!/UDP port \d+/.test(said)) await sleep(50);
const port = Number(/UDP port (\d+)/.exec(said)![1]);
const address = /Live page: (\S+)/.exec(said)![1]!;

const browser = await launchBrowser();
const page = await browser.newPage();
await page.goto(`${address}#files`);
await page.locator('.live').waitFor();
await page.evaluate(`window.changes = 0; let last = '';
  setInterval(() => {
    const now = [...document.querySelectorAll('#view-files .facts')].map((own) => own.textContent).join();
    if (last && now !== last) window.changes++;
    last = now;
  }, 50)`);

const socket = createSocket('udp4');
const hash = createHash('sha256');
const before = usageOf(program.pid!);
const began = performance.now();
let sent = 0;
let sentBytes = 0;
while (sent < datagrams.length) {
  const due = ((performance.now() - began) / 1000) * bytesPerSecond;
  while (sent < datagrams.length && sentBytes < due) {
    const datagram = datagrams[sent]!;
    socket.send(datagram, port, '127.0.0.1');
    hash.update(datagram);
    sentBytes += datagram.length;
    sent++;
  }
  await sleep(2);
}
const took = (performance.now() - began) / 1000;
socket.close();
const used = usageOf(program.pid!) - before;
await sleep(1500);
const changes = await page.evaluate<number>('window.changes');
await page.goto(`${address}#gallery`);
await page.locator('#view-gallery article').first().waitFor();
// For its pictures.
await sleep(1000);
const { SCREENSHOTS } = process.env;
if (SCREENSHOTS) await page.screenshot({ path: path.join(SCREENSHOTS, 'watch-drawing.png') });
const pictures = await page.locator('#view-gallery article img').count();
const line = await page.locator('.live').textContent();
await browser.close();
// Everything that came is on disk by now; drawing what was not drawn yet is not waited for.
program.kill('SIGKILL');
await once(program, 'exit');

const folder = path.join(out, 'received', '127.0.0.1');
const kept = Buffer.concat(
  fs
    .readdirSync(folder)
    .sort()
    .map((name) => fs.readFileSync(path.join(folder, name))),
);
const same = createHash('sha256').update(kept).digest('hex') === hash.digest('hex');
console.log(
  `${os.cpus().length} x ${os.cpus()[0]?.model}; Node ${process.version}; load ${os.loadavg()[0]!.toFixed(1)}`,
);
console.log(
  `sent: ${sent} datagrams, ${(sentBytes / 1e6).toFixed(1)} MB in ${took.toFixed(1)} s, ${((sentBytes * 8) / took / 1e6).toFixed(1)} Mbit/s`,
);
console.log(
  `kept: ${(kept.length / 1e6).toFixed(1)} MB, ${same ? 'byte for byte what was sent' : 'NOT what was sent'}; missing ${sentBytes - kept.length} bytes`,
);
console.log(
  `page: ${line}; its figures changed ${changes} times (${(changes / took).toFixed(1)}/s), ${pictures} pictures shown`,
);
console.log(`the program took ${((100 * used) / took).toFixed(0)} % of one core`);
fs.rmSync(work, { recursive: true, force: true });
process.exitCode = same ? 0 : 1;

/** Baseband frames of pictures sent one after the other, of which some are left out. */
async function makeDatagrams(bytes: number): Promise<Uint8Array[]> {
  const random = seededRandom(5, 'bench');
  const pictures: Buffer[] = [];
  for (let i = 0; i < 4; i++) pictures.push(await drawPicture(i));
  const frames: Uint8Array[] = [];
  let made = 0;
  const encoder = encodeChain(mission.layers, (frame) => {
    made += frame.length;
    if (random.float() >= LOSS) frames.push(Uint8Array.from(frame));
  });
  const { size } = mission.frame!.payload;
  for (let file = 1, counter = 0; made < bytes; file++) {
    const content = pictures[file % pictures.length]!;
    const segments = Math.ceil(content.length / size);
    for (let segment = 0; segment < segments; segment++) {
      const payload = content.subarray(segment * size, (segment + 1) * size);
      const header = { counter: counter++, file, segment, segments, length: payload.length };
      encoder.push(encodeFrame(mission.frame!, header, payload));
    }
  }
  return frames;
}

/** About 2.5 MB of JPEG with the texture of a photograph. */
function drawPicture(seed: number): Promise<Buffer> {
  const noise = { type: 'gaussian' as const, mean: 100 + 20 * seed, sigma: 40 };
  return sharp({ create: { width: 2400, height: 1800, channels: 3, background: '#000', noise } })
    .blur(1.2)
    .jpeg({ quality: 92 })
    .toBuffer();
}

/** Seconds of processor time of a process so far (proc(5), in hundredths). */
function usageOf(pid: number): number {
  const fields = fs.readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]!.split(' ');
  return (Number(fields[11]) + Number(fields[12])) / 100;
}
