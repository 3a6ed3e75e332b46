// What goes into the layers of any mission, message by message without end: frames of its own as the carousel plans them, or the
// PDUs of a file delivery (CCSDS 727.0-B-5), each turn of the carousel sending every file as a transaction of its own.
import { type CfdpOptions, cfdpEncoder, cfdpOptions } from '../layers/cfdp.js';
import type { Mission } from '../mission/mission.js';
import { isFileDelivery } from '../mission/segmentation.js';
import { type CarouselEvents, type CarouselFile, planCarousel, sendingAt, sendingFrame } from './carousel.js';

export type SentMessage = {
  readonly bytes: Uint8Array;
  /** On-board run, from 1. */
  readonly run: number;
  readonly content: CarouselFile;
  /** Counts the sendings of all files. */
  readonly sending: number;
  /** Of a file delivery. */
  readonly transaction: { readonly source: number; readonly sequence: number } | null;
};

export type DeliverySettings = {
  /** File bytes of one File Data PDU. Default 1024. */
  readonly segmentBytes?: number;
  /** Number of the registry of checksum types. Default 0, modular. */
  readonly checksumType?: number;
  /** Whether PDUs end with a CRC. Default true. */
  readonly crc?: boolean;
};

/** @throws UsageError or RangeError for what does not fit its field */
export function sentMessages(
  mission: Mission,
  files: readonly CarouselFile[],
  events: CarouselEvents,
  settings: DeliverySettings = {},
): Iterable<SentMessage> {
  return isFileDelivery(mission) ? sentPdus(mission, files, events, settings) : sentFrames(mission, files, events);
}

function* sentFrames(mission: Mission, files: readonly CarouselFile[], events: CarouselEvents): Iterable<SentMessage> {
  const stretches = planCarousel(mission, files, events);
  let sending = -1;
  let last: CarouselFile | undefined;
  for (let frame = 0; ; frame++) {
    const next = sendingAt(stretches, frame);
    if (next.segment === 0 || next.content !== last) sending++;
    last = next.content;
    yield { bytes: sendingFrame(mission, next), run: next.run, content: next.content, sending, transaction: null };
  }
}

function* sentPdus(
  mission: Mission,
  files: readonly CarouselFile[],
  { rebootBefore = Number.POSITIVE_INFINITY, replacements = [] }: CarouselEvents,
  { segmentBytes, checksumType, crc = true }: DeliverySettings,
): Iterable<SentMessage> {
  const options: CfdpOptions = cfdpOptions.parse(mission.layers.at(-1)!.options);
  const source = options.source ?? 1;
  const encode = cfdpEncoder({
    source,
    destination: options.destination ?? 2,
    crc: crc || options.crc === 'required',
    entityIdBytes: Math.max(2, bytesFor(source), bytesFor(options.destination ?? 2)),
    sequenceBytes: 4,
    ...(segmentBytes !== undefined && { segmentBytes }),
    ...(checksumType !== undefined && { checksumType }),
  });
  const waiting = [...replacements].sort((a, b) => a.from - b.from);
  const current = [...files].sort((a, b) => a.file - b.file);
  let [run, sequence, sending, message] = [1, 0, 0, 0];
  for (;;) {
    for (const change of waiting.splice(0, waiting.filter(({ from }) => from <= message).length)) {
      const at = current.findIndex(({ file }) => file === change.file);
      const old = current[at];
      if (old) current[at] = { ...old, edition: old.edition + 1, content: change.content };
    }
    for (const content of current) {
      const transaction = { source, sequence: ++sequence };
      for (const bytes of encode({ ...content, sequence })) {
        // A reboot breaks off what is being sent, and all begins again.
        if (run === 1 && message >= rebootBefore) break;
        yield { bytes, run, content, sending, transaction };
        message++;
      }
      sending++;
      if (run > 1 || message < rebootBefore) continue;
      [run, sequence] = [2, 0];
      break;
    }
  }
}

function bytesFor(id: number): number {
  return Math.max(1, Math.ceil(Math.log2(id + 1) / 8));
}
