// Extension headers, which ULE and GSE share (RFC 4326, clause 5; TS 102 606-1): a Type below 0x0600 is no EtherType but names
// a header that stands before the next Type. Optional ones say their length and are skipped, mandatory ones must be known.

/** The lowest EtherType; Types below are extension headers. */
export const FIRST_ETHERTYPE = 0x0600;

const BRIDGED_FRAME = 0x0001;
/** Destination, source and EtherType of a bridged Ethernet frame; it has no checksum of its own here. */
const ETHERNET_BYTES = 14;

/** What is left when the extension headers are off: the EtherType, and the index of the PDU's first byte. */
export type Unwrapped = { readonly type: number; readonly start: number };

/**
 * Walks over the extension headers of one PDU.
 *
 * @param type the Type field met so far, below 0x0600
 * @param start index behind that Type and the address
 * @param end index after the PDU
 * @returns `null` when the PDU must be discarded: a mandatory header that is not known (every one but the bridged frame, whose
 *   Ethernet header is taken off), one that runs over the end, or a bridged frame without an EtherType
 */
export function unwrapExtensions(bytes: Uint8Array, start: number, end: number, type: number): Unwrapped | null {
  let next = type;
  let at = start;
  while (next < FIRST_ETHERTYPE) {
    // H-LEN counts 16-bit words with the header's own Type in them, so it also counts from there to the next Type.
    const words = next >> 8;
    if (words === 0) return next === BRIDGED_FRAME ? unwrapEthernet(bytes, at, end) : null;
    at += 2 * words;
    if (at > end) return null;
    next = (bytes[at - 2]! << 8) | bytes[at - 1]!;
  }
  return { type: next, start: at };
}

function unwrapEthernet(bytes: Uint8Array, start: number, end: number): Unwrapped | null {
  const at = start + ETHERNET_BYTES;
  if (at > end) return null;
  const type = (bytes[at - 2]! << 8) | bytes[at - 1]!;
  return type < FIRST_ETHERTYPE ? null : { type, start: at };
}

/** The Type for a PDU whose mission names none: IP, by its version. */
export function etherTypeOf(pdu: Uint8Array): number {
  return pdu[0]! >> 4 === 6 ? 0x86dd : 0x0800;
}

/** A Type for messages and counts: `0x0800`. */
export function typeName(type: number): string {
  return `0x${type.toString(16).padStart(4, '0')}`;
}
