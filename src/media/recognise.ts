// Tells what a file is by its first bytes; the extension of a downlinked name is never trusted.
// Signatures as in the formats' own documents: T.81 (JPEG), PNG, GIF89a, TIFF 6.0, RIFF containers, ISO/IEC 14496-12
// (ftyp), H.264 and H.265 annex B, ISO/IEC 13818-1 (188-byte packets), Matroska (EBML).

import { open } from 'node:fs/promises';

export type MediaFormatName =
  | 'jpeg'
  | 'png'
  | 'gif'
  | 'tiff'
  | 'webp'
  | 'heif'
  | 'mp4'
  | 'h264'
  | 'hevc'
  | 'mpegts'
  | 'avi'
  | 'matroska'
  | 'text'
  | 'unknown';

export type MediaFormat = {
  readonly kind: 'picture' | 'video' | 'other';
  readonly format: MediaFormatName;
  /** The usual extension, without the dot. */
  readonly extension: string;
};

const recogniseBytes = 4096;

const tsPacketBytes = 188;

// profile_idc values of H.264 annex A and its scalable and multiview annexes.
const h264Profiles = new Set([44, 66, 77, 83, 86, 88, 100, 110, 118, 122, 128, 134, 135, 138, 139, 244]);

/**
 * Recognises a format by content.
 *
 * @param head the start of the file, 4096 bytes are plenty; not copied, not kept
 * @returns format `unknown` where nothing fits
 */
export function recogniseMedia(head: Uint8Array): MediaFormat {
  const bytes = Buffer.from(head.buffer, head.byteOffset, head.byteLength);
  const is = (at: number, signature: string) => bytes.toString('latin1', at, at + signature.length) === signature;

  if (is(0, '\xff\xd8\xff')) return { kind: 'picture', format: 'jpeg', extension: 'jpg' };
  if (is(0, '\x89PNG\r\n\x1a\n')) return { kind: 'picture', format: 'png', extension: 'png' };
  if (is(0, 'GIF87a') || is(0, 'GIF89a')) return { kind: 'picture', format: 'gif', extension: 'gif' };
  if (is(0, 'II*\0') || is(0, 'MM\0*')) return { kind: 'picture', format: 'tiff', extension: 'tif' };
  if (is(0, 'RIFF') && is(8, 'WEBP')) return { kind: 'picture', format: 'webp', extension: 'webp' };
  if (is(0, 'RIFF') && is(8, 'AVI ')) return { kind: 'video', format: 'avi', extension: 'avi' };
  if (is(4, 'ftyp')) return isoMedia(bytes.toString('latin1', 8, 12));
  if (is(0, '\x1a\x45\xdf\xa3')) {
    const webm = bytes.subarray(0, 64).includes('webm');
    return { kind: 'video', format: 'matroska', extension: webm ? 'webm' : 'mkv' };
  }
  if (isTransportStream(bytes)) return { kind: 'video', format: 'mpegts', extension: 'ts' };
  if (isAnnexB(bytes)) return { kind: 'video', format: 'h264', extension: 'h264' };
  if (isH265(bytes)) return { kind: 'video', format: 'hevc', extension: 'h265' };
  if (isText(bytes)) return { kind: 'other', format: 'text', extension: 'txt' };
  return { kind: 'other', format: 'unknown', extension: 'bin' };
}

/**
 * Recognises the file at `path`.
 *
 * @throws the system's error where it cannot be read
 */
export async function recogniseFile(path: string): Promise<MediaFormat> {
  const file = await open(path);
  try {
    const { buffer, bytesRead } = await file.read(Buffer.alloc(recogniseBytes), 0, recogniseBytes, 0);
    return recogniseMedia(buffer.subarray(0, bytesRead));
  } finally {
    await file.close();
  }
}

function isoMedia(brand: string): MediaFormat {
  if (/^(?:avi[fs]|hei[cxms]|hev[cmsx]|mif1|msf1)$/.test(brand)) {
    return { kind: 'picture', format: 'heif', extension: brand.startsWith('avi') ? 'avif' : 'heic' };
  }
  return { kind: 'video', format: 'mp4', extension: brand === 'qt  ' ? 'mov' : 'mp4' };
}

function isTransportStream(bytes: Uint8Array): boolean {
  if (bytes.length < 2 * tsPacketBytes) return false;
  for (let at = 0; at < bytes.length; at += tsPacketBytes) if (bytes[at] !== 0x47) return false;
  return true;
}

/** A start code, perhaps an access unit delimiter, then a sequence parameter set with a known profile. */
function isAnnexB(bytes: Buffer): boolean {
  const unit = nextUnit(bytes, 0);
  if (unit < 3 || bytes.subarray(0, unit).some((byte, i) => byte !== (i === unit - 1 ? 1 : 0))) return false;
  const sps = unitType(bytes[unit]) === 9 ? nextUnit(bytes, unit) : unit;
  // nal_ref_idc of a parameter set is never 0.
  return sps >= 0 && unitType(bytes[sps]) === 7 && bytes[sps]! >> 5 !== 0 && h264Profiles.has(bytes[sps + 1] ?? -1);
}

/** A start code, perhaps an access unit delimiter, then a video parameter set; all of layer 0, temporal id 0. */
function isH265(bytes: Buffer): boolean {
  const unit = nextUnit(bytes, 0);
  if (unit < 3 || bytes.subarray(0, unit).some((byte, i) => byte !== (i === unit - 1 ? 1 : 0))) return false;
  const vps = bytes[unit] === 0x46 ? nextUnit(bytes, unit) : unit;
  return vps >= 0 && bytes[vps] === 0x40 && bytes[vps + 1] === 1;
}

/** Index of the NAL unit header after the first start code from `from`, or -1. */
function nextUnit(bytes: Buffer, from: number): number {
  const at = bytes.indexOf('\0\0\x01', from, 'latin1');
  return at < 0 ? -1 : at + 3;
}

/** nal_unit_type, or -1 where the header is impossible (forbidden_zero_bit set, or nothing there). */
function unitType(header: number | undefined): number {
  return header === undefined || header >> 7 !== 0 ? -1 : header & 0x1f;
}

function isText(bytes: Uint8Array): boolean {
  if (bytes.length === 0) return false;
  try {
    // `stream`: the head may end inside a character.
    const text = new TextDecoder('utf-8', { fatal: true }).decode(bytes, { stream: true });
    return !/[\0-\x08\x0e-\x1a\x1c-\x1f\x7f]/.test(text);
  } catch {
    return false;
  }
}
