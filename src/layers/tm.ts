// TM transfer frames (CCSDS 132.0-B): checks them, follows one virtual channel by its frame counts and hands on its data fields,
// with the first header pointer as the place where a packet begins.
import { z } from 'zod';
import { UsageError } from '../errors.js';
import type { Encoder, LayerDefinition } from './layer.js';
import { NO_PACKET_STARTS, ONLY_IDLE, PacketZone } from './packet-zone.js';
import {
  firstHeaderAt,
  hasOcfAt,
  hasTmSecondaryHeaderAt,
  isSyncAt,
  TM_HEADER_BYTES,
  tmScidAt,
  tmVcidAt,
  writeTmHeader,
} from './tm-header.js';
import { type ChannelOptions, type ReadTransferFrame, TransferFrameDecoder, writeFecf } from './virtual-channel.js';

type Options = ChannelOptions & {
  /** For the encoder: bytes of one frame, at most 2048; default 1115. */
  length?: number | undefined;
};

const optionsSchema: z.ZodType<Options> = z.strictObject({
  vcid: z.number().int().min(0).max(7).optional(),
  scid: z.number().int().min(0).max(1023).optional(),
  fecf: z.boolean().optional(),
  length: z.number().int().min(9).max(2048).optional(),
});

export const tm: LayerDefinition<Options> = {
  name: 'tm',
  source: 'CCSDS 132.0-B',
  options: optionsSchema,
  decoder: (options, next) => new TransferFrameDecoder(options, readFrame, next),
  encoder: (options, emit) => new TmEncoder(options, emit),
};

const OCF_BYTES = 4;

const readFrame: ReadTransferFrame = (bytes, start, end, frame) => {
  if (end - start <= TM_HEADER_BYTES || bytes[start]! >> 6 !== 0) return 'other';
  // The low six bits of a secondary header's first byte are its length, less one.
  const secondary = hasTmSecondaryHeaderAt(bytes, start) ? (bytes[start + TM_HEADER_BYTES]! & 0x3f) + 1 : 0;
  frame.start = start + TM_HEADER_BYTES + secondary;
  frame.end = end - (hasOcfAt(bytes, start) ? OCF_BYTES : 0);
  if (frame.start >= frame.end) return 'other';
  frame.spacecraft = tmScidAt(bytes, start);
  frame.channel = tmVcidAt(bytes, start);
  frame.count = bytes[start + 3]!;
  frame.modulus = 256;
  frame.replay = false;
  if (isSyncAt(bytes, start)) {
    frame.unitStart = frame.start;
    return 'data';
  }
  const firstHeader = firstHeaderAt(bytes, start);
  if (firstHeader === ONLY_IDLE) return 'idle';
  frame.unitStart = firstHeader === NO_PACKET_STARTS ? -1 : frame.start + firstHeader;
  return frame.unitStart < frame.end ? 'data' : 'wrong';
};

/** Makes the frames of one virtual channel, the only one of its master channel, without secondary header and OCF. */
class TmEncoder implements Encoder {
  readonly #options: Options;
  readonly #emit: Encoder['push'];
  readonly #length: number;
  readonly #zone: PacketZone;
  #count = 0;

  /** @throws UsageError when the length leaves no data field */
  constructor(options: Options, emit: Encoder['push']) {
    this.#options = options;
    this.#emit = emit;
    this.#length = options.length ?? 1115;
    const size = this.#length - TM_HEADER_BYTES - (options.fecf === false ? 0 : 2);
    if (size < 1) throw new UsageError(`tm: tm.length of ${this.#length} bytes leaves no data field`);
    this.#zone = new PacketZone(size, (zone, firstHeader) => this.#send(zone, firstHeader));
  }

  push(packet: Uint8Array): void {
    this.#zone.push(packet);
  }

  flush(): void {
    this.#zone.flush();
  }

  #send(zone: Uint8Array, firstHeader: number): void {
    const { scid = 0, vcid = 0, fecf } = this.#options;
    const count = this.#count;
    this.#count = (count + 1) & 0xff;
    const frame = new Uint8Array(this.#length);
    frame.set(
      writeTmHeader({
        version: 0,
        scid,
        vcid,
        ocf: 0,
        masterCount: count,
        count,
        secondaryHeader: 0,
        sync: 0,
        packetOrder: 0,
        segmentLength: 3,
        firstHeader,
      }),
    );
    frame.set(zone, TM_HEADER_BYTES);
    if (fecf !== false) writeFecf(frame);
    this.#emit(frame);
  }
}
