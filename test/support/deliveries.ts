// Campaigns of a file delivery for tests: a carousel that sends its files again and again, each time as a new transaction, through
// the encoders of a mission's layers; stations that hear some of the outermost units; and the ledger they fill.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { onTestFinished } from 'vitest';
import { buildCoverage, type CampaignCoverage } from '../../src/coverage/build-coverage.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import { type CfdpEncoderOptions, cfdpEncoder } from '../../src/layers/cfdp.js';
import { decodeChain, encodeChain } from '../../src/layers/chain.js';
import { Ledger } from '../../src/ledger/ledger.js';
import type { MissionText } from '../../src/ledger/ledger-missions.js';
import { packDamaged } from '../../src/ledger/reception-file.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { segmentation } from '../../src/mission/segmentation.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { coverageSchema } from '../../src/report/coverage-schema.js';
import { DeliveryRecorder } from '../../src/segments/delivery-recorder.js';

/** A mission whose files come through these layers, `cfdp` last; `more` = further lines of the mission file. */
export function deliveryMission(layers: string, more = ''): MissionText {
  const text = `mission: Dotterel\ndownlink: { rate: 1.9 Mbit/s }\nlayers: ${layers}\n${more}`;
  return { text, mission: parseMission(text, 'mission.yaml') };
}

/** Every PDU in a packet of its own, and nothing around it: a recording is packets one after the other. */
export const packetsOnly = '[{packets: {apid: 5}}, cfdp]';

export type Content = { readonly name: string; readonly content: Uint8Array };

/** Random bytes under names of the scenario. */
export function contentsOf(sizes: readonly number[], seed = 1): Content[] {
  return sizes.map((size, i) => ({
    name: `limb-${String(i + 1).padStart(4, '0')}.bin`,
    content: seededRandom(seed, `content ${i}`).fill(new Uint8Array(size)),
  }));
}

export const sender: CfdpEncoderOptions = { source: 1, destination: 2, segmentBytes: 100, checksumType: 3, crc: true };

/** The PDUs of `turns` turns of the carousel; transactions count up from `first`. */
export function carousel(
  contents: readonly Content[],
  turns: number,
  options: Partial<CfdpEncoderOptions> & { first?: number } = {},
): Uint8Array[] {
  const { first = 1, ...changes } = options;
  const encode = cfdpEncoder({ ...sender, ...changes });
  const sent: Uint8Array[] = [];
  for (let turn = 0, sequence = first; turn < turns; turn++) {
    for (const { name, content } of contents) sent.push(...encode({ name, content, sequence: sequence++ }));
  }
  return sent;
}

/** What the mission's outermost layer makes of PDUs: what a station records or misses as a whole. */
export function unitsOf({ mission }: MissionText, pdus: readonly Uint8Array[]): Uint8Array[] {
  const units: Uint8Array[] = [];
  const encoder = encodeChain(mission.layers, (unit) => units.push(Uint8Array.from(unit)));
  for (const pdu of pdus) encoder.push(pdu);
  encoder.flush();
  return units;
}

export type Session = { readonly station: string; readonly units: readonly Uint8Array[]; readonly startedAt?: number };

export function newLedger(mission: MissionText): Ledger {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'deliveries-'));
  const ledger = Ledger.open(path.join(folder, 'ledger'), { mission });
  onTestFinished(() => {
    try {
      ledger.abandon();
    } catch {
      // the test closed it
    }
    fs.rmSync(folder, { recursive: true, force: true });
  });
  return ledger;
}

/** Takes a recording into the ledger as the main job does. */
export function handIn(ledger: Ledger, { station, units, startedAt }: Session): void {
  const { mission } = ledger;
  const bytes = Buffer.concat(units);
  const recorder = new DeliveryRecorder(segmentation(mission).counterBits, ledger);
  const chain = decodeChain(mission, recorder);
  for (let at = 0; at < bytes.length; at += 5000)
    chain.input.push(bytes, at, Math.min(at + 5000, bytes.length), at, -1);
  chain.input.end();
  const damaged = packDamaged(recorder.damagedFrames);
  ledger.addReception(
    {
      station,
      name: `${station}.bin`,
      xxh64: createHash('sha256').update(station).update(bytes).digest('hex').slice(0, 16),
      bytes: bytes.length,
      startedAt: startedAt ?? null,
      frames: { intact: recorder.intactFrames, damaged: recorder.damagedTotal },
      stretches: recorder.stretchStarts,
      runs: recorder.runs,
      damaged: damaged.index,
      problems: [],
      deliveries: recorder.deliveries,
    },
    damaged.bytes,
  );
}

export type Built = CampaignCoverage & { readonly written: Readonly<Record<string, Buffer>> };

/** Coverage of a ledger, and every file below `files/` and `partial/`. */
export async function build(ledger: Ledger): Promise<Built> {
  const out = fs.mkdtempSync(path.join(os.tmpdir(), 'deliveries-out-'));
  try {
    fs.rmSync(path.join(ledger.folder, 'outputs.json'), { force: true });
    const campaign = await buildCoverage(ledger, new OutputFolder(out), null);
    coverageSchema.parse(campaign.coverage);
    const written: Record<string, Buffer> = {};
    for (const folder of ['files', 'partial']) {
      for (const name of fs.readdirSync(path.join(out, folder))) {
        written[`${folder}/${name}`] = fs.readFileSync(path.join(out, folder, name));
      }
    }
    return { ...campaign, written };
  } finally {
    fs.rmSync(out, { recursive: true });
  }
}

/** What a ledger of these sessions comes to. */
export async function outcome(mission: MissionText, sessions: readonly Session[]): Promise<Built> {
  const ledger = newLedger(mission);
  for (const session of sessions) handIn(ledger, session);
  return build(ledger);
}

/** `id name state`, file by file. */
export function states({ coverage }: Pick<Built, 'coverage'>): string[] {
  return coverage.files.map(({ id, name, state }) => `${id} ${name} ${state}`);
}
