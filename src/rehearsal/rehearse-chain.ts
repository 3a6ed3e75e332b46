// A rehearsal through any layers that have encoders: frames of the mission's own, or the PDUs of a file delivery. What a station can
// make of such recordings follows from no simple arithmetic, so the truth names what was sent, file by file, and which of the
// outermost units each station recorded whole. Nothing is radiated.
import { createHash } from 'node:crypto';
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { firstLast, type Ranges } from '../bytes/ranges.js';
import { UsageError } from '../errors.js';
import { encodeChain } from '../layers/chain.js';
import type { Encoder } from '../layers/layer.js';
import type { Mission } from '../mission/mission.js';
import { fileLabel, transactionFile } from '../mission/segmentation.js';
import { type CarouselFile, crc32Hex } from './carousel.js';
import type { Framing } from './recorder.js';
import { planRehearsal, type RehearsalOptions, rehearse } from './rehearse.js';
import { type DeliverySettings, type SentMessage, sentMessages } from './sent-messages.js';
import { StationSession } from './station-session.js';
import { framesInSpans, type StationAccount, type TruthStation } from './truth.js';

export type ChainRehearsalOptions = RehearsalOptions & { readonly delivery?: DeliverySettings };

export type ChainTruth = {
  format: 'passweave-rehearsal-chain/1';
  mission: string;
  seed: number;
  startedAt: string;
  seconds: number;
  rotationSeconds: number | null;
  layers: string[];
  /** Outermost units sent, and the bytes of each; `null` where they differ. */
  units: { sent: number; bytes: number | null };
  /** `units`: numbers of those recorded whole and right, first and last; `null` where they differ in length. */
  stations: (Omit<TruthStation, 'transmissions' | 'received'> & { units: [first: number, last: number][] | null })[];
  files: {
    file: number;
    edition: number;
    name: string;
    bytes: number;
    crc32: string;
    sha256: string;
    /** Each sending, with its transaction where there is one; the last may be broken off. */
    sent: { run: number; transaction: string | null; seconds: number }[];
  }[];
};

/** Bytes at the start of a unit that damage leaves alone, as receivers hand on no frame without them. */
const HEADER_BYTES: Readonly<Record<string, number>> = { 'dvb-s2': 10, cadu: 4 };

/**
 * Makes the recordings of a campaign, through whatever layers the mission has.
 *
 * @returns how many stations handed in; `truth.json` is written beside the recordings
 * @throws UsageError when the mission cannot be rehearsed as it is, or a file cannot be read
 */
export async function rehearseChain(
  options: ChainRehearsalOptions,
): Promise<{ stations: readonly { name: string }[] }> {
  const names = options.mission.layers.map(({ name }) => name);
  return names.join(' ') === 'dvb-s2 stream' ? rehearse(options) : sendThroughChain(options);
}

async function sendThroughChain(options: ChainRehearsalOptions): Promise<ChainTruth> {
  const { mission, outDir } = options;
  const plan = planRehearsal(options);
  const { seed, startedAt, seconds, beam, bytesPerSecond, plans, recordingsDir, files, events } = plan;
  mkdirSync(recordingsDir, { recursive: true });
  let stations: StationSession[] = [];
  let framing: Framing | undefined;
  let [unit, sentBytes, sameLength] = [0, 0, true];
  const emit = (bytes: Uint8Array): void => {
    framing ??= framingOf(mission, bytes.length);
    const known = framing;
    sameLength &&= bytes.length === known.headerBytes + known.dataBytes;
    if (unit === 0) {
      stations = plans.map(
        (station) =>
          new StationSession(station, { beam, framing: known, seed, startedAt, recordingsDir, bytesPerSecond }),
      );
    }
    // Kept until the next one comes, while an encoder may use its buffer again.
    const copy = Uint8Array.from(bytes);
    for (const station of stations) station.hear(unit, sentBytes / bytesPerSecond, copy);
    unit++;
  };
  const sent = new Map<CarouselFile, ChainTruth['files'][number]>();
  let encoder: Encoder | undefined;
  let last: SentMessage | undefined;
  for (const message of sentMessages(mission, files, events, options.delivery)) {
    if (sentBytes >= seconds * bytesPerSecond) break;
    if (message.run !== last?.run) {
      encoder?.flush();
      encoder = encodeChain(mission.layers, emit);
    }
    if (message.sending !== last?.sending) noteSending(sent, message, sentBytes / bytesPerSecond, mission);
    encoder!.push(message.bytes);
    sentBytes += message.bytes.length;
    last = message;
    if (message.sending % 64 === 0) options.onProgress?.(sentBytes / (seconds * bytesPerSecond));
  }
  encoder?.flush();
  if (!framing) throw new UsageError('the campaign is too short: nothing was filled; give more rotations or seconds');
  const accounts: StationAccount[] = [];
  for (const station of stations) accounts.push(await station.finish(outDir));
  const { dataBytes, headerBytes } = framing;
  const truth: ChainTruth = {
    format: 'passweave-rehearsal-chain/1',
    mission: mission.name,
    seed,
    startedAt: new Date(startedAt).toISOString(),
    seconds,
    rotationSeconds: beam?.periodSeconds ?? null,
    layers: mission.layers.map(({ name }) => name),
    units: { sent: unit, bytes: sameLength ? headerBytes + dataBytes : null },
    stations: accounts.map(({ spans, ...account }) => {
      const whole: Ranges = framesInSpans(spans, dataBytes);
      return { ...account, units: sameLength ? firstLast(whole) : null };
    }),
    files: [...sent.values()].sort((a, b) => a.file - b.file || a.edition - b.edition),
  };
  // Written last: where there is a truth, the recordings are complete.
  writeFileSync(join(outDir, 'truth.json'), `${JSON.stringify(truth, null, 1)}\n`);
  options.onProgress?.(1);
  return truth;
}

/** Each unit counts as one frame of the station's recorder. */
function framingOf({ layers }: Mission, unitBytes: number): Framing {
  const headerBytes = Math.min(HEADER_BYTES[layers[0]!.name] ?? 0, unitBytes - 1);
  return { headerBytes, dataBytes: unitBytes - headerBytes, missionBytes: unitBytes - headerBytes };
}

function noteSending(
  sent: Map<CarouselFile, ChainTruth['files'][number]>,
  { content, run, transaction }: SentMessage,
  seconds: number,
  mission: Mission,
): void {
  const { file, edition, name, content: bytes } = content;
  const known = sent.get(content) ?? {
    file,
    edition,
    name,
    bytes: bytes.length,
    crc32: crc32Hex(bytes),
    sha256: createHash('sha256').update(bytes).digest('hex'),
    sent: [],
  };
  const named = transaction && fileLabel(mission, transactionFile(transaction.source, transaction.sequence));
  known.sent.push({ run, transaction: named, seconds });
  sent.set(content, known);
}
