// A ledger as one zip to send, and back. Only the ledger's own files go in or come out; sparse holes cost next to nothing deflated.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { pipeline } from 'node:stream/promises';
import StreamZip from 'node-stream-zip';
import { ZipFile } from 'yazl';
import { RecordingError } from '../errors.js';
import { Ledger } from './ledger.js';

/** The names a packed ledger may hold: nothing else is unpacked. */
const OWN_NAME =
  /^(ledger\.json|segments\.journal|missions\/[0-9a-f]{64}\.yaml|recordings\/[0-9a-f]{64}\.json|damaged\/[0-9a-f]{64}\.bin|data\/f\d+-\d+\.\d+)$/;
/** Holes deflate about a thousandfold, so the bomb limit is on the total. */
const MAX_UNPACKED_BYTES = 2 ** 40;

/**
 * Packs the ledger folder `source` into `zip`, through a temporary name.
 *
 * @returns bytes of the zip
 * @throws LedgerError when there is no usable ledger
 */
export async function packLedger(source: string, zip: string): Promise<number> {
  const ledger = Ledger.open(source);
  try {
    const archive = new ZipFile();
    for (const name of listFiles(source)) {
      // A fixed time and order: the same ledger packs to the same bytes.
      archive.addFile(path.join(source, name), name, { mtime: new Date(315_532_800_000), mode: 0o100644 });
    }
    archive.end();
    const temporary = `${zip}.part`;
    await pipeline(archive.outputStream, fs.createWriteStream(temporary));
    fs.renameSync(temporary, zip);
    return fs.statSync(zip).size;
  } finally {
    ledger.close();
  }
}

function listFiles(folder: string): string[] {
  return fs
    .readdirSync(folder, { recursive: true, encoding: 'utf8' })
    .map((name) => name.split(path.sep).join('/'))
    .filter((name) => OWN_NAME.test(name))
    .sort();
}

/**
 * Unpacks a zip made by `packLedger` into a temporary folder.
 *
 * @throws RecordingError when it is not one, or damaged
 */
export async function unpackLedger(zip: string): Promise<{ folder: string; discard: () => void }> {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-'));
  const discard = (): void => fs.rmSync(folder, { recursive: true, force: true });
  const archive = new StreamZip.async({ file: zip });
  try {
    const entries = Object.values(await archive.entries());
    if (!entries.some(({ name }) => name === 'ledger.json')) {
      throw new RecordingError('archive-damaged', zip, undefined, 'holds no ledger; expected a zip made by `passweave pack`');
    }
    const total = entries.reduce((sum, { size }) => sum + size, 0);
    if (total > MAX_UNPACKED_BYTES) {
      throw new RecordingError('archive-too-large', zip, undefined, `would unpack to ${total} bytes, more than a ledger may have`);
    }
    for (const part of ['missions', 'recordings', 'damaged', 'data']) fs.mkdirSync(path.join(folder, part));
    for (const { name } of entries) {
      if (!OWN_NAME.test(name)) {
        throw new RecordingError('archive-entry-unsafe', zip, undefined, `entry ${JSON.stringify(name)} does not belong in a ledger; nothing was taken from it`);
      }
      await archive.extract(name, path.join(folder, name));
    }
    return { folder, discard };
  } catch (error) {
    discard();
    if (error instanceof RecordingError) throw error;
    throw new RecordingError('archive-damaged', zip, undefined, `cannot be unpacked (${(error as Error).message}); ask the station to send it again`);
  } finally {
    await archive.close().catch(() => undefined);
  }
}
