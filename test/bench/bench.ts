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
import { fillLedger } from './fill-program.js';
import { makeCapture, makeData, makeZip } from './make-data.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const work = path.join(root, '.bench');
const missionFile = path.join(root, 'test/bench/mission.yaml');

type Run = { seconds: number; rssMB: number };
type Program = { name: string; run: () => Promise<Run> };

const { values } = parseArgs({
  options: { mb: { type: 'string', default: '1000' }, rounds: { type: 'string', default: '3' } },
});
const stationBytes = Number(values.mb) * 1e6;
const mission = await readMissionFile(missionFile);

const two = makeOnce('two stations', (folder) => makeData(mission, folder, stationBytes));
const heavy = makeOnce('95 % duplicates', (folder) => makeData(mission, folder, stationBytes, { carousel: 20 }));
const zipped = makeOnce('zip', (folder) => makeZip(two, folder, stationBytes / 5));
const captured = makeOnce('pcap with GSE', (folder) => makeCapture(mission, folder, stationBytes / 5));

const limit = compileLimit();
const cases: { name: string; recordings: string[]; programs: Program[] }[] = [
  {
    name: 'two stations, about half of it duplicates',
    recordings: two,
    programs: [
      { name: 'cat both | cat', run: () => timed('sh', ['-c', 'cat "$@" | cat > /dev/null', 'sh', ...two]) },
      { name: 'plain reading + CRC-16, here', run: async () => readWithCrc() },
      ...(limit ? limitPrograms(limit, two) : []),
      { name: 'to the ledger, 1 decoding thread', run: () => fill(two, 1, 'no-sync') },
      { name: 'to the ledger, 2 decoding threads', run: () => fill(two, 2, 'no-sync') },
      { name: 'to the ledger, 1 decoding thread, synced', run: () => fill(two, 1, 'sync') },
      { name: 'to the ledger, 2 decoding threads, synced', run: () => fill(two, 2, 'sync') },
      { name: 'recover, from nothing: files and reports too', run: () => recoverFresh(two) },
      { name: 'recover, all known', run: () => recover(two, 'out') },
    ],
  },
  {
    name: 'the same segments 20 times over (95 % duplicates)',
    recordings: heavy,
    programs: [
      { name: 'to the ledger, 1 decoding thread, synced', run: () => fill(heavy, 1, 'sync') },
      { name: 'to the ledger, 2 decoding threads, synced', run: () => fill(heavy, 2, 'sync') },
    ],
  },
  {
    name: 'one zip, deflated',
    recordings: zipped,
    programs: [{ name: 'to the ledger, synced', run: () => fill(zipped, 2, 'sync') }],
  },
  {
    name: 'one pcap: UDP with baseband frames with GSE',
    recordings: captured,
    programs: [
      {
        name: 'to the ledger, synced',
        run: () => fill(captured, 2, 'sync', path.join(root, 'test/bench/mission-gse.yaml')),
      },
    ],
  },
];

const runs = new Map<Program, Run[]>();
for (let round = 0; round < Number(values.rounds); round++) {
  for (const program of cases.flatMap(({ programs }) => programs)) {
    // What the last program left unwritten must not be paid for by the next.
    execFileSync('sync');
    runs.set(program, [...(runs.get(program) ?? []), await program.run()]);
  }
}

const cpu = os.cpus()[0]?.model ?? 'unknown processor';
console.log(`Medians of ${values.rounds}; ${os.cpus().length} x ${cpu}; Node ${process.version}`);
for (const { name, recordings, programs } of cases) {
  const megabytes = recordings.reduce((sum, file) => sum + fs.statSync(file).size, 0) / 1e6;
  const secondsOf = (program: Program): number => median(runs.get(program)!.map(({ seconds }) => seconds));
  const base = limit && cases[0]!.programs.find((program) => program.name.startsWith('C program'));
  const baseRate =
    base && cases[0]!.recordings.reduce((sum, file) => sum + fs.statSync(file).size, 0) / secondsOf(base);
  console.log(
    `\n${name}: ${megabytes.toFixed(0)} MB\n\n| program | MB/s | of the C program | most memory |\n|---|---|---|---|`,
  );
  for (const program of programs) {
    const rate = (megabytes * 1e6) / secondsOf(program);
    const rss = Math.max(...runs.get(program)!.map(({ rssMB }) => rssMB));
    const ratio = baseRate ? (rate / baseRate).toFixed(2) : '';
    console.log(
      `| ${program.name} | ${(rate / 1e6).toFixed(0)} | ${ratio} | ${rss > 0 ? `${rss.toFixed(0)} MB` : ''} |`,
    );
  }
}

/** Makes recordings in a folder of their own, unless an earlier run did. */
function makeOnce(name: string, make: (folder: string) => string[]): string[] {
  const folder = path.join(work, `${name.replaceAll(/\W+/g, '-')}-${values.mb}`);
  const list = path.join(folder, 'made.json');
  if (!fs.existsSync(list)) {
    fs.mkdirSync(folder, { recursive: true });
    fs.writeFileSync(list, JSON.stringify(make(folder)));
  }
  return JSON.parse(fs.readFileSync(list, 'utf8')) as string[];
}

function limitPrograms(program: string, recordings: readonly string[]): Program[] {
  const run = (command: string): (() => Promise<Run>) => {
    return () => timed('sh', ['-c', command, program, fresh('limit'), ...recordings]);
  };
  return [
    { name: 'C program (limit.c)', run: run('"$0" "$@" > /dev/null') },
    { name: 'C program, its files synced', run: run('"$0" "$@" > /dev/null && sync -d "$1"/*') },
  ];
}

async function fill(
  recordings: readonly string[],
  workers: number,
  syncing: 'sync' | 'no-sync',
  ofMission: string = missionFile,
): Promise<Run> {
  return fillLedger(ofMission, fresh('ledger'), workers, syncing, recordings);
}

function recoverFresh(recordings: readonly string[]): Promise<Run> {
  fs.rmSync(path.join(work, 'out'), { recursive: true, force: true });
  return recover(recordings, 'out');
}

function recover(recordings: readonly string[], out: string): Promise<Run> {
  const program = path.join(root, 'bin/passweave.js');
  const where = ['--mission', missionFile, '--out', path.join(work, out), '--json'];
  return timed(process.execPath, [program, 'recover', ...recordings, ...where]);
}

function readWithCrc(): Run {
  const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);
  const buffer = Buffer.allocUnsafe(4 << 20);
  const start = process.hrtime.bigint();
  for (const file of two) {
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
