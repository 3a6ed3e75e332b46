// A small campaign for tests: a carousel of files as the list of frames it sends, stations that hear some of them, and the ledger
// they fill. What was sent is the truth that the tests compare with.
import { createHash } from 'node:crypto';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { onTestFinished } from 'vitest';
import { encodeFrame } from '../../src/layers/frame.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { packDamaged } from '../../src/ledger/reception-file.js';
import type { Mission } from '../../src/mission/mission.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import type { HeardRecording } from '../../src/segments/passage.js';
import { ReceptionRecorder, type SegmentStore } from '../../src/segments/reception.js';

export const PAYLOAD = 16;
/** Seconds from one frame to the next at the mission's rate. */
export const FRAME_SECONDS = 0.01;

export type MissionChoices = {
  readonly counterBits?: number;
  /** Segments named by byte offset; the frames then state the file's size in bytes. */
  readonly byOffset?: boolean;
  /** Frames state how large their file is. Default true. */
  readonly statesSize?: boolean;
  /** Frames state how much of the payload is used. Default true. */
  readonly statesLength?: boolean;
  /** Lines of the mission file's `files`. */
  readonly files?: readonly string[];
};

/** Frames of 33 bytes, 16 of them payload. */
export function smallMission(choices: MissionChoices = {}): { text: string; mission: Mission } {
  const { counterBits = 32, byOffset = false, statesSize = true, statesLength = true, files = [] } = choices;
  const text = `mission: Small
downlink: { rate: ${(33 * 8) / FRAME_SECONDS} bit/s }
layers: [dvb-s2, stream]
frame:
  marker: 1ACF
  length: 33
  fields:
    counter: { at: 2, bits: ${counterBits} }
    file: { at: 6, bits: 16 }
    ${byOffset ? 'offset' : 'segment'}: { at: 8, bits: 24 }
${statesSize ? `    ${byOffset ? 'bytes' : 'segments'}: { at: 11, bits: 24 }\n` : ''}${statesLength ? '    length: { at: 14, bits: 8 }\n' : ''}  payload: { at: 15, size: ${PAYLOAD} }
  crc: { name: CRC-16/IBM-3740, at: 31, covers: [0, 31] }
${files.length > 0 ? `files:\n${files.map((line) => `  ${line}\n`).join('')}` : ''}`;
  return { text, mission: parseMission(text, 'small.yaml') };
}

export type SentFile = { readonly file: number; readonly content: Uint8Array };

/** One frame as sent: the truth of one transmission. */
export type Sent = {
  /** Frames sent before it. */
  readonly time: number;
  readonly run: number;
  /** Not wrapped. */
  readonly counter: number;
  readonly file: number;
  readonly content: Uint8Array;
  readonly segment: number;
  readonly segments: number;
  readonly payload: Uint8Array;
  /** Byte offset of the payload. */
  readonly offset: number;
};

/** From frame `at` on: a reboot (counter and carousel begin again), or other files (each from its next turn on). */
export type CarouselEvent = { readonly at: number; readonly reboot?: boolean; readonly files?: readonly SentFile[] };

/** What a carousel of `files` sends in its first `count` frames. */
export function sendCarousel(
  files: readonly SentFile[],
  count: number,
  options: { readonly startCounter?: number; readonly events?: readonly CarouselEvent[] } = {},
): Sent[] {
  const sent: Sent[] = [];
  let current = files;
  let turn = 0;
  let segment = 0;
  let run = 1;
  let counter = options.startCounter ?? 0;
  let item = current[0]!;
  for (let time = 0; time < count; time++) {
    for (const event of (options.events ?? []).filter(({ at }) => at === time)) {
      if (event.files) current = event.files;
      if (event.reboot) {
        [run, counter, turn, segment] = [run + 1, 0, 0, 0];
      }
      if (segment === 0) item = current[turn % current.length]!;
    }
    const { file, content } = item;
    const segments = Math.ceil(content.length / PAYLOAD);
    const offset = segment * PAYLOAD;
    const payload = content.subarray(offset, offset + PAYLOAD);
    sent.push({ time, run, counter, file, content, segment, segments, payload, offset });
    counter++;
    segment++;
    if (segment < segments) continue;
    segment = 0;
    turn++;
    item = current[turn % current.length]!;
  }
  return sent;
}

/** Files 1, 2, … of that many segments, of random bytes; the last segment of each is short. */
export function randomFiles(segments: readonly number[], seed = 1): SentFile[] {
  return segments.map((count, i) => {
    const content = seededRandom(seed, `file ${i}`).fill(new Uint8Array(count * PAYLOAD - (i % PAYLOAD)));
    return { file: i + 1, content };
  });
}

/** A frame as heard: `damaged` = its CRC fails; `accident` = it is not as sent, yet its CRC passed. */
export type Heard = Sent & { readonly damaged?: boolean; readonly accident?: boolean };

export type Session = {
  readonly station: string;
  readonly heard: readonly Heard[];
  /** Milliseconds since 1970. */
  readonly startedAt?: number | null;
};

function frameOf(mission: Mission, { counter, file, segment, segments, offset, content, payload }: Heard): Uint8Array {
  const frame = mission.frame!;
  const { fields } = frame;
  return encodeFrame(
    frame,
    {
      counter: counter % 2 ** fields.counter.bits,
      file,
      ...(fields.offset ? { offset } : { segment }),
      ...(fields.segments && { segments }),
      ...(fields.bytes && { bytes: content.length }),
      ...(fields.length && { length: payload.length }),
    },
    payload,
  );
}

/** Takes the frames of a session into a recorder of its own. */
export function record(mission: Mission, heard: readonly Heard[], store: SegmentStore): ReceptionRecorder {
  const recorder = new ReceptionRecorder(mission.frame!, store);
  heard.forEach((frame, i) => {
    const bytes = frameOf(mission, frame);
    if (frame.damaged) recorder.damaged(bytes, 0, bytes.length, i * bytes.length);
    else recorder.intact(bytes, 0, i * bytes.length);
  });
  return recorder;
}

/** What the placement needs of a session, without a ledger. */
export function heardRecording(mission: Mission, session: Session): HeardRecording {
  const recorder = record(mission, session.heard, { store: () => 0 });
  return {
    xxh64: identityOf(session),
    startedAt: session.startedAt ?? null,
    stretches: recorder.stretchStarts,
    runs: recorder.runs,
  };
}

function identityOf({ station, heard }: Session): string {
  const hash = createHash('sha256').update(station);
  for (const { time, counter, file, segment, damaged } of heard)
    hash.update(`${time} ${counter} ${file} ${segment} ${damaged};`);
  return hash.digest('hex').slice(0, 16);
}

/** A ledger with the sessions in it, in a folder that goes when the test ends. */
export function fillLedger(mission: { text: string; mission: Mission }, sessions: readonly Session[]): Ledger {
  const folder = mkdtempSync(join(tmpdir(), 'campaign-'));
  const ledger = Ledger.open(join(folder, 'ledger'), { mission });
  onTestFinished(() => {
    ledger.abandon();
    rmSync(folder, { recursive: true, force: true });
  });
  for (const session of sessions) addSession(ledger, session);
  return ledger;
}

export function addSession(ledger: Ledger, session: Session): string {
  const recorder = record(ledger.mission, session.heard, ledger);
  const damaged = packDamaged(recorder.damagedFrames);
  const xxh64 = identityOf(session);
  ledger.addReception(
    {
      station: session.station,
      name: `${session.station}.bin`,
      xxh64,
      bytes: session.heard.length * 33,
      startedAt: session.startedAt ?? null,
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

/** Drops frames at random: `keep` of them stay, in bursts of about `burst` frames. */
export function lossy<T>(frames: readonly T[], keep: number, burst: number, seed: number): T[] {
  const random = seededRandom(seed, 'losses');
  let there = random.float() < keep;
  return frames.filter(() => {
    if (random.float() < 1 / burst) there = random.float() < keep;
    return there;
  });
}

/** Makes a share of the frames accidents: something in the header is wrong, or the payload. */
export function withAccidents(frames: readonly Heard[], share: number, seed: number, counterBits = 32): Heard[] {
  const random = seededRandom(seed, 'accidents');
  return frames.map((frame): Heard => {
    if (random.float() >= share) return frame;
    const kind = random.below(4);
    if (kind === 0) return { ...frame, accident: true, counter: random.below(2 ** counterBits) };
    if (kind === 1) return { ...frame, accident: true, file: random.below(2 ** 16) };
    if (kind === 2) return { ...frame, accident: true, segment: random.below(frame.segments) };
    return { ...frame, accident: true, payload: random.fill(new Uint8Array(frame.payload.length)) };
  });
}
