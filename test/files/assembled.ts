// What a ledger's files come to, without an output folder.
import { createHash } from 'node:crypto';
import { placeLedger } from '../../src/coverage/build-coverage.js';
import { type Assembly, assemble } from '../../src/files/assemble.js';
import { type Edition, findFileEditions } from '../../src/files/edition.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import type { FileFacts } from '../../src/mission/mission.js';

export type Assembled = { readonly edition: Edition; readonly assembly: Assembly; readonly content: Buffer };

export function assembleAll(
  ledger: Ledger,
  facts: readonly FileFacts[] = ledger.mission.files.catalogue,
): { files: Assembled[]; notes: string[] } {
  const { editions, notes } = findFileEditions(ledger, placeLedger(ledger), facts);
  const files = editions.map((edition) => {
    const assembly = assemble(edition, ledger);
    const parts: Buffer[] = [];
    assembly.emit((bytes) => parts.push(Buffer.from(bytes)));
    return { edition, assembly, content: Buffer.concat(parts) };
  });
  return { files, notes };
}

export function factsOf({ file, content }: { file: number; content: Uint8Array }): FileFacts {
  const value = createHash('md5').update(content).digest('hex');
  return { file, bytes: content.length, checksum: { algorithm: 'md5', value } };
}
