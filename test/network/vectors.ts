// The vectors of test/vectors/capture.json: link-layer frames and IP fragments, checked with tshark 4.0.17 when they were made.
import { readFileSync } from 'node:fs';
import { DatagramReceiver, type Destination } from '../../src/network/datagram-receiver.js';

export type FrameVector = {
  readonly id: string;
  readonly linkType: number;
  readonly hex: string | readonly string[];
  readonly expect: {
    readonly sport?: number;
    readonly dport?: number;
    readonly payload?: string;
    readonly udpLength?: number;
    readonly payloadCrc32?: string;
  };
  readonly verified: string;
};

const read = (name: string): unknown =>
  JSON.parse(readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8'));

export const frameVectors: readonly FrameVector[] = (read('capture.json') as { vectors: FrameVector[] }).vectors;
export const packetsOf = ({ hex }: FrameVector): Buffer[] =>
  [hex].flat().map((text) => Buffer.from(text as string, 'hex'));

export type Got = { readonly to: Destination; readonly payload: Buffer; readonly at: number };

/** A receiver that keeps copies of what it gives, and how often something was lost. */
export function collector(options?: ConstructorParameters<typeof DatagramReceiver>[1]): {
  receiver: DatagramReceiver;
  got: Got[];
  losses: (string | undefined)[];
} {
  const got: Got[] = [];
  const losses: (string | undefined)[] = [];
  const receiver = new DatagramReceiver(
    {
      datagram: (to, bytes, start, end, at) =>
        void got.push({ to, payload: Buffer.from(bytes.subarray(start, end)), at }),
      lost: (to) => void losses.push(to?.name),
    },
    options,
  );
  return { receiver, got, losses };
}
