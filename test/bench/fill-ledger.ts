// One run from recordings to a synced ledger, without files and reports, in a process of its own: prints its seconds and the most
// memory it had. Uses the built library, as users do.
// Made into plain JavaScript by fill-program.ts. Arguments: MISSION OUT WORKERS sync|no-sync RECORDING...
import fs from 'node:fs';

type Built = typeof import('../../src/ledger/ledger.js') &
  typeof import('../../src/ledger/disk.js') &
  typeof import('../../src/ledger/keep-reception.js') &
  typeof import('../../src/workers/receive-all.js') &
  typeof import('../../src/intake/open-recordings.js') &
  typeof import('../../src/mission/mission-file.js');

const dist = new URL('../../dist/', import.meta.url);
const files = [
  'ledger/ledger',
  'ledger/disk',
  'ledger/keep-reception',
  'workers/receive-all',
  'intake/open-recordings',
  'mission/mission-file',
];
const modules = await Promise.all(files.map((file) => import(new URL(`${file}.js`, dist).href)));
const { Ledger, realDisk, keepReception, receiveAll, openRecordings, parseMission } = Object.assign(
  {},
  ...modules,
) as Built;

const [missionFile, out, workers, syncing, ...paths] = process.argv.slice(2);
const text = fs.readFileSync(missionFile!, 'utf8');
const mission = parseMission(text, missionFile!, { layerNames: ['dvb-s2', 'stream', 'gse', 'udp'] });
const disk =
  syncing === 'sync'
    ? realDisk
    : { ...realDisk, sync: () => undefined, startSync: () => undefined, isSynced: () => true };
const start = process.hrtime.bigint();
const { recordings } = await openRecordings(paths);
const ledger = Ledger.open(out!, { mission: { text, mission }, disk });
const keep: Parameters<typeof receiveAll>[3] = (recording, received) => keepReception(recording, received, ledger);
await receiveAll(recordings, mission, ledger, keep, { workers: Number(workers) });
ledger.close();
const seconds = Number(process.hrtime.bigint() - start) / 1e9;
const { userCPUTime, systemCPUTime, maxRSS } = process.resourceUsage();
const cpuSeconds = (userCPUTime + systemCPUTime) / 1e6;
// Bytes handed to write(); a system without /proc tells none.
const io = fs.existsSync('/proc/self/io') ? fs.readFileSync('/proc/self/io', 'utf8') : '';
const writtenMB = Number(/wchar: (\d+)/.exec(io)?.[1] ?? 0) / 1e6;
console.log(JSON.stringify({ seconds, cpuSeconds, rssMB: maxRSS / 1000, writtenMB }));
