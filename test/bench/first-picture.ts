// tsx test/bench/first-picture.ts [SAMPLE] [ROUNDS]: from the last byte read of a sample campaign to the first finished picture on
// disk, by the time the file system has for it. Uses the built library, as users do.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

const root = fileURLToPath(new URL('../..', import.meta.url));
const { recover } = (await import(
  new URL('../../dist/recover.js', import.meta.url).href
)) as typeof import('../../src/recover.js');
const [sample = 'dotterel', rounds = '5'] = process.argv.slice(2);
const campaign = path.join(root, 'samples', sample);

const found: { whole: number; any: number; all: number }[] = [];
for (let round = 0; round < Number(rounds); round++) {
  const out = fs.mkdtempSync(path.join(os.tmpdir(), 'first-picture-'));
  let lastRead = 0;
  await recover({
    recordings: [path.join(campaign, 'recordings')],
    mission: path.join(campaign, 'mission.yaml'),
    out,
    onProgress: ({ stage }) => {
      if (stage === 'reading') lastRead = Date.now();
    },
  });
  const all = Date.now() - lastRead;
  const since = (folder: string): number => Math.min(...pictures(path.join(out, folder)).map((at) => at - lastRead));
  found.push({ whole: since('files'), any: Math.min(since('files'), since('salvage')), all });
  fs.rmSync(out, { recursive: true });
}
const median = (of: (one: (typeof found)[number]) => number): string => {
  const sorted = found.map(of).sort((a, b) => a - b);
  return sorted[sorted.length >> 1]!.toFixed(0);
};
console.log(
  `${sample}, medians of ${rounds}, ms after the last byte was read: first whole picture ${median(({ whole }) => whole)}, ` +
    `first picture of any kind ${median(({ any }) => any)}, everything ${median(({ all }) => all)}`,
);

/** When each picture of a folder was written, ms since 1970. */
function pictures(folder: string): number[] {
  const names = fs.existsSync(folder) ? fs.readdirSync(folder) : [];
  return names
    .filter((name) => /\.(jpe?g|png)$/i.test(name))
    .map((name) => fs.statSync(path.join(folder, name)).mtimeMs);
}
