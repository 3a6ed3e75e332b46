// Small missions, recordings of them made without any layer, and what a ledger of them comes to: for the ledger's tests.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { onTestFinished } from 'vitest';
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { buildCoverage } from '../../src/coverage/build-coverage.js';
import type { Coverage } from '../../src/coverage/coverage.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import { encodeFrame } from '../../src/layers/frame.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import type { MissionText } from '../../src/ledger/ledger-missions.js';
import { packDamaged } from '../../src/ledger/reception-file.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { ReceptionRecorder } from '../../src/segments/reception.js';

export function scratchFolder(): string {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-test-'));
  onTestFinished(() => fs.rmSync(folder, { recursive: true, force: true }));
  return folder;
}

type MissionChoice = { payload?: number; byOffset?: boolean; catalogue?: string; name?: string };

/** A mission of frames with 20 bytes around the payload; segments named by number or by byte offset. */
export function missionText({
  payload = 100,
  byOffset = false,
  catalogue = '',
  name = 'Dotterel',
}: MissionChoice = {}): MissionText {
  const place = byOffset
    ? 'offset: { at: 10, bits: 24 }'
    : 'segment: { at: 10, bits: 24 }\n    segments: { at: 13, bits: 24 }';
  const text = `mission: ${name}
layers: [dvb-s2, stream]
frame:
  marker: 1ACFFC1D
  length: ${payload + 20}
  fields:
    counter: { at: 4, bits: 32 }
    file: { at: 8, bits: 16 }
    ${place}
    length: { at: 16, bits: 16 }
  payload: { at: 18, size: ${payload} }
  crc: { name: CRC-16/IBM-3740, at: ${payload + 18}, covers: [0, ${payload + 18}] }
${catalogue && `files:\n  catalogue:\n${catalogue}`}`;
  return { text, mission: parseMission(text, 'mission.yaml') };
}

/** What one frame carried, and when. `content` chooses among the payloads that came under this name. */
export type Sent = { counter: number; file: number; segments: number; segment: number; content?: number };

export type Heard = { station: string; name: string; startedAt?: number; sent: readonly Sent[] };

/** The payload of a segment: random bytes, made from its name. The last segment of a file is shorter. */
export function payloadOf({ file, segments, segment, content = 0 }: Sent, size: number): Uint8Array {
  const bytes = seededRandom(content, `${file}/${segment}`).fill(new Uint8Array(size));
  return segment === segments - 1 ? bytes.subarray(0, Math.ceil(size / 3)) : bytes;
}

/** One sending of a whole file, frame by frame. */
export function sending(file: number, segments: number, counter: number, content = 0): Sent[] {
  return Array.from({ length: segments }, (_, segment) => ({
    counter: counter + segment,
    file,
    segments,
    segment,
    content,
  }));
}

const room = takeFastMemory(1 << 16)!;

/** Takes a recording into the ledger as the main job does, but from its frames on. Every 7th counter is damaged. */
export function handIn(ledger: Ledger, { station, name, startedAt, sent }: Heard, damagedEvery = 0): string {
  const frame = ledger.mission.frame!;
  const recorder = new ReceptionRecorder(frame, ledger);
  const hash = createHash('sha256');
  let at = 0;
  for (const one of sent) {
    const payload = payloadOf(one, frame.payload.size);
    const values = { counter: one.counter, file: one.file, length: payload.length };
    const place = ledger.byOffset
      ? { offset: one.segment * frame.payload.size }
      : { segment: one.segment, segments: one.segments };
    const encoded = encodeFrame(frame, { ...values, ...place }, payload);
    hash.update(encoded);
    // Where the program has its frames, too.
    const bytes = room.subarray(0, encoded.length);
    bytes.set(encoded);
    if (damagedEvery > 0 && one.counter % damagedEvery === 0) recorder.damaged(bytes, 0, bytes.length, at);
    else recorder.intact(bytes, 0, at);
    at += bytes.length;
  }
  const xxh64 = hash.digest('hex').slice(0, 16);
  const damaged = packDamaged(recorder.damagedFrames);
  ledger.addReception(
    {
      station,
      name,
      xxh64,
      bytes: at,
      startedAt: startedAt ?? null,
      frames: { intact: recorder.intactFrames, damaged: recorder.damagedTotal },
      stretches: recorder.stretchStarts,
      runs: recorder.runs,
      damaged: damaged.index,
      problems: [],
    },
    damaged.bytes,
  );
  return xxh64;
}

export type Result = { coverage: Coverage; files: Record<string, string> };

/** The coverage of an open ledger and the files written for it, to a folder of their own. */
export async function resultOf(ledger: Ledger): Promise<Result> {
  const out = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-test-out-'));
  const cache = path.join(ledger.folder, 'outputs.json');
  try {
    fs.rmSync(cache, { force: true });
    const { coverage } = await buildCoverage(ledger, new OutputFolder(out), null);
    return { coverage, files: contents(out) };
  } finally {
    fs.rmSync(cache, { force: true });
    fs.rmSync(out, { recursive: true });
  }
}

/** The same without what is said about the ledger's own state. */
export function withoutNotes({ coverage, files }: Result): Result {
  return { coverage: { ...coverage, notes: [] }, files };
}

/** Every file below `folder` with its content. */
export function contents(folder: string): Record<string, string> {
  const names = fs.readdirSync(folder, { recursive: true, encoding: 'utf8' }).sort();
  return Object.fromEntries(
    names
      .filter((name) => fs.statSync(path.join(folder, name)).isFile())
      .map((name) => [name, fs.readFileSync(path.join(folder, name)).toString('base64')]),
  );
}
