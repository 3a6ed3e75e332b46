// What a station is called when the user does not say: by the archive, the folder or the file that was handed in.
import path from 'node:path';
import { trailingStamp } from './utc-stamp.js';

const MAX_LENGTH = 64;

// Extensions that recorders and packers put behind a station's name: common practice.
const extension = /\.(bin|bb|bbf|bbframes?|cadu|dat|data|frames|raw|rec|stream|ts|m2ts|pcap|pcapng|cap|gz|gzip|zip)$/i;
const takenOff = [extension, trailingStamp, /[-_. ]+\d{1,9}$/, /[-_. ]+$/];

/** Repeats `change` until it changes nothing more. */
const settle = (text: string, change: (text: string) => string): string => {
  for (let before = text; ; before = text) {
    text = change(before);
    if (text === before) return text;
  }
};

/**
 * Text from a file or an archive made fit to show: control characters and those that turn the writing direction taken out.
 *
 * @param maxLength in characters (code points)
 */
export function printable(text: string, maxLength = 200): string {
  const clean = text.replace(/[\p{Cc}\p{Zl}\p{Zp}\p{Bidi_Control}]/gu, '').trim();
  const characters = [...clean];
  return characters.length <= maxLength ? clean : characters.slice(0, maxLength).join('').trimEnd();
}

const stationName = (text: string): string => printable(text, MAX_LENGTH) || 'station';

/** `…/highfell.zip` gives `highfell`. */
export function stationOfArchive(file: string): string {
  return stationName(path.basename(path.resolve(file)).replace(/(?<=.)\.zip$/i, ''));
}

/** The last part of the folder's path, `.` and `..` resolved. */
export function stationOfFolder(folder: string): string {
  return stationName(path.basename(path.resolve(folder)));
}

/** `highfell-20270314T021530Z-0003.bin.gz` gives `highfell`; a name that is nothing but a stamp or a number stays. */
export function stationOfFile(file: string): string {
  // In turn until nothing is left to take: a chunk's number may stand where an extension does (`rec.1`, `rec.bin.1`).
  const name = settle(path.basename(file), (text) => {
    for (const pattern of takenOff) text = text.replace(pattern, '') || text;
    return text;
  });
  return stationName(name);
}
