// npm run bench [-- --mb 1000 --rounds 3]: how fast recordings become files, beside the machine's own limits, in one run.
// Every round runs all programs in turn, so that a noisy machine disturbs all alike; medians and ratios are printed.
import { execFileSync, spawn } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { makeCrc } from '../../src/bytes/crc.js';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { readMissionFile } from '../../src/mission/mission-file.js';
import { makeData } from './make-data.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const work = path.join(root, '.bench');
const missionFile = path.join(root, 'test/bench/mission.yaml');

type Run = { seconds: number; rssMB: number };
type Program = { name: string; run: () => Promise<Run> };

const { values } = parseArgs({
  options: { mb: { type: 'string', default: '1000' }, rounds: { type: 'string', default: '3' } },
});
const stationBytes = Number(values.mb) * 1e6;

const data = path.join(work, `data-${values.mb}`);
const mission = await readMissionFile(missionFile);
const recordings = fs.existsSync(path.join(data, 'made'))
  ? [0, 1].map((station) => path.join(data, `station${station}.bin`))
  : makeData(mission, data, stationBytes);
fs.writeFileSync(path.join(data, 'made'), '');
const megabytes = recordings.reduce((sum, file) => sum + fs.statSync(file).size, 0) / 1e6;

const out = path.join(work, 'out');
const limit = compileLimit();
const programs: Program[] = [
  { name: 'cat both | cat', run: () => timed('sh', ['-c', 'cat "$@" | cat > /dev/null', 'sh', ...recordings]) },
  { name: 'plain reading + CRC-16, here', run: async () => readWithCrc() },
  ...(limit
    ? [
        {
          name: 'C program (limit.c), no sync',
          run: async () => {
            const folder = fresh('limit');
            return timed(limit, [folder, ...recordings]);
          },
        },
      ]
    : []),
  {
    name: 'passweave recover, from nothing',
    run: async () => {
      fs.rmSync(out, { recursive: true, force: true });
      return recover();
    },
  },
  { name: 'passweave recover, all known', run: recover },
];

const runs = new Map<string, Run[]>(programs.map(({ name }) => [name, []]));
for (let round = 0; round < Number(values.rounds); round++) {
  for (const { name, run } of programs) {
    // What the last program left unwritten must not be paid for by the next.
    execFileSync('sync');
    runs.get(name)!.push(await run());
  }
}

const cpu = os.cpus()[0]?.model ?? 'unknown processor';
console.log(
  `${recordings.length} recordings, ${megabytes.toFixed(0)} MB in all; medians of ${values.rounds}; ${os.cpus().length} x ${cpu}; Node ${process.version}`,
);
const base = median(runs.get('cat both | cat')!.map(({ seconds }) => seconds));
console.log('| program | MB/s | of cat | most memory |\n|---|---|---|---|');
for (const [name, own] of runs) {
  const seconds = median(own.map((run) => run.seconds));
  const rss = Math.max(...own.map(({ rssMB }) => rssMB));
  console.log(
    `| ${name} | ${(megabytes / seconds).toFixed(0)} | ${(base / seconds).toFixed(2)} | ${rss > 0 ? `${rss.toFixed(0)} MB` : ''} |`,
  );
}

function recover(): Promise<Run> {
  return timed(process.execPath, [
    path.join(root, 'bin/passweave.js'),
    'recover',
    ...recordings,
    '--mission',
    missionFile,
    '--out',
    out,
    '--json',
  ]);
}

function readWithCrc(): Run {
  const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);
  const buffer = Buffer.allocUnsafe(4 << 20);
  const start = process.hrtime.bigint();
  for (const file of recordings) {
    const fd = fs.openSync(file, 'r');
    for (let size = fs.readSync(fd, buffer); size > 0; size = fs.readSync(fd, buffer)) {
      for (let at = 0; at + 1004 <= size; at += 1004) crc(buffer, at, at + 1002);
    }
    fs.closeSync(fd);
  }
  return { seconds: Number(process.hrtime.bigint() - start) / 1e9, rssMB: 0 };
}

/** Wall time of a program, and the most memory it had (VmHWM, asked every 20 ms). */
function timed(command: string, args: readonly string[]): Promise<Run> {
  return new Promise((resolve, reject) => {
    const start = process.hrtime.bigint();
    const child = spawn(command, args, { stdio: ['ignore', 'ignore', 'inherit'] });
    let rssMB = 0;
    const watch = setInterval(() => {
      try {
        const status = fs.readFileSync(`/proc/${child.pid}/status`, 'utf8');
        rssMB = Math.max(rssMB, Number(/VmHWM:\s+(\d+)/.exec(status)?.[1] ?? 0) / 1000);
      } catch {
        // Gone, or a system without /proc: no figure then.
      }
    }, 20);
    child.on('error', reject);
    child.on('exit', (code) => {
      clearInterval(watch);
      const seconds = Number(process.hrtime.bigint() - start) / 1e9;
      if (code === 0) resolve({ seconds, rssMB: command === 'sh' ? 0 : rssMB });
      else reject(new Error(`${command} ended with ${code}`));
    });
  });
}

function fresh(name: string): string {
  const folder = path.join(work, name);
  fs.rmSync(folder, { recursive: true, force: true });
  fs.mkdirSync(folder, { recursive: true });
  return folder;
}

function compileLimit(): string | undefined {
  const program = path.join(work, 'limit-program');
  try {
    execFileSync('cc', ['-O3', path.join(root, 'test/bench/limit.c'), '-o', program]);
    return program;
  } catch {
    console.log('No C compiler here: the C program is left out.');
    return undefined;
  }
}

function median(numbers: readonly number[]): number {
  return [...numbers].sort((a, b) => a - b)[Math.floor(numbers.length / 2)]!;
}
