// What the two capture file formats, pcap and pcapng, have in common: packets out, whatever the file's blocks were cut into.

export type CaptureFormat = 'pcap' | 'pcapng';

/** Bytes of the longest packet that is believed: the longest snap length in use is 262,144 (common practice). */
export const MAX_PACKET_BYTES = 262_144;

export interface PacketSink {
  /**
   * One captured packet, lent for the call.
   *
   * @param linkType LINKTYPE_ value
   * @param isWhole false where the capture kept only its beginning (snap length)
   * @param time ms since 1970 UTC, with a fraction; NaN where the capture does not tell
   */
  packet(linkType: number, bytes: Uint8Array, start: number, end: number, isWhole: boolean, time: number): void;
  /** Packets were lost here: the file is damaged, or the capture itself says so. */
  lost(): void;
}

export interface CaptureParser {
  /** The next bytes of the file, lent for the call. */
  push(bytes: Uint8Array): void;
  /** The file ends here; a packet that was being written is left out. */
  end(): void;
}
