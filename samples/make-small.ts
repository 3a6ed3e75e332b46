// Makes the two small campaigns anew, bit for bit, from some of Dotterel's true files: packets (CFDP in space packets, AOS and
// baseband frames) and capture (frames in datagrams in GSE, captured as pcapng).
import { rmSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { readMissionFile } from '../src/mission/mission-file.js';
import { rehearseChain } from '../src/rehearsal/rehearse-chain.js';
import { defaultStations, type Packaging, type StationPlan } from '../src/rehearsal/stations.js';

const SECONDS = 4 * 94;
const FILES = ['whirl-0103.jpg', 'waves-0102.jpg', 'telemetry-0107.csv'];

/** How each station hands in what it has. */
const CAMPAIGNS: Readonly<Record<string, { seed: number; packaging: readonly Packaging[] }>> = {
  packets: { seed: 7, packaging: ['folder', 'zip'] },
  capture: { seed: 7, packaging: ['capture', 'capture'] },
};

for (const [name, { seed, packaging }] of Object.entries(CAMPAIGNS)) {
  const folder = fileURLToPath(new URL(name, import.meta.url));
  rmSync(`${folder}/recordings`, { recursive: true, force: true });
  const stations = defaultStations(['saltmarsh', 'highfell'], SECONDS).map((plan, i): StationPlan => {
    return { ...plan, recorder: { ...plan.recorder, packaging: packaging[i]! } };
  });
  await rehearseChain({
    mission: await readMissionFile(`${folder}/mission.yaml`),
    files: FILES.map((file, i) => ({
      file: i + 1,
      path: fileURLToPath(new URL(`dotterel/files/${file}`, import.meta.url)),
    })),
    outDir: folder,
    seed,
    seconds: SECONDS,
    stations,
    delivery: { checksumType: 3 },
  });
}
