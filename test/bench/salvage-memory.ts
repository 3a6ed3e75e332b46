// What the salvage of one large PNG takes: the most memory that its process held (VmHWM of /proc/self/status, so on Linux only), Node.js
// and the loader of TypeScript with it, and its processor time. A picture of 6000 x 4000 pixels is drawn and saved by sharp as it does by
// itself; segments of 1004 bytes are lost. Run: npx tsx test/bench/salvage-memory.ts
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import sharp from 'sharp';
import { salvageMedia } from '../../src/media/salvage.js';
import { seededRandom } from '../../src/rehearsal/random.js';

const segmentBytes = 1004;
const [given] = process.argv.slice(2);

if (given) console.log(await measure(given));
else {
  const folder = mkdtempSync(join(tmpdir(), 'passweave-memory-'));
  process.once('exit', () => rmSync(folder, { recursive: true, force: true }));
  console.log('| picture | MB | loss % | shown | memory before, MB | at most, MB | processor s |');
  console.log('|---|---|---|---|---|---|---|');
  for (const progressive of [false, true]) {
    const whole = await drawn().png({ progressive }).toBuffer();
    for (const loss of progressive ? [0.9] : [0.001, 0.01]) {
      writeFileSync(join(folder, 'partial'), whole);
      const gaps = lost(whole.length, loss);
      writeFileSync(join(folder, 'gaps'), JSON.stringify(gaps));
      const told = execFileSync(process.execPath, [...process.execArgv, fileURLToPath(import.meta.url), folder]);
      const kind = progressive ? 'interlaced, its last tenth lost' : 'plain';
      console.log(
        `| ${kind} | ${(whole.length / 1e6).toFixed(0)} | ${progressive ? 10 : 100 * loss} | ${told.toString().trim()} |`,
      );
    }
  }
}

/** Hills of colour with fine grain. */
function drawn() {
  const [width, height] = [6000, 4000];
  const random = seededRandom(1, 'salvage-memory');
  const raw = Buffer.alloc(3 * width * height);
  for (let i = 0; i < raw.length; i++) {
    const pixel = Math.floor(i / 3);
    const hill = 80 * Math.sin((pixel % width) / 400 + (i % 3)) + 40 * Math.cos(pixel / width / 300);
    raw[i] = 128 + hill + 2 * random.float();
  }
  return sharp(raw, { raw: { width, height, channels: 3 } });
}

/** Single segments, or, above a half, all behind that share of the file. */
function lost(bytes: number, loss: number): [number, number][] {
  if (loss > 0.5) return [[Math.floor(loss * bytes), bytes]];
  const random = seededRandom(2, 'salvage-memory');
  const gaps: [number, number][] = [];
  for (let start = segmentBytes; start < bytes; start += segmentBytes) {
    if (random.float() < loss) gaps.push([start, Math.min(bytes, start + segmentBytes)]);
  }
  return gaps;
}

async function measure(folder: string): Promise<string> {
  const most = () => Number(/VmHWM:\s+(\d+)/.exec(readFileSync('/proc/self/status', 'utf8'))![1]) / 1024;
  const gaps = JSON.parse(readFileSync(join(folder, 'gaps'), 'utf8'));
  const path = join(folder, 'partial');
  const [before, began] = [most(), process.cpuUsage()];
  const bytes = statSync(path).size;
  const result = await salvageMedia({ path, gaps, bytes, outBase: join(folder, 'out'), tools: null });
  const { user, system } = process.cpuUsage(began);
  const shown = /^The top \d+ of \d+|^[\d.]+ %/.exec(result?.note ?? 'none')?.[0];
  return [shown, before.toFixed(0), most().toFixed(0), ((user + system) / 1e6).toFixed(1)].join(' | ');
}
