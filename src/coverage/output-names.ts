// What the files of the output folder are called: safe and unique names, and all that may stand there under one name.
import type { Edition } from '../files/edition.js';
import { safeName, uniqueNames } from '../files/safe-name.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Lane } from '../ledger/stored-file.js';
import { recogniseMedia } from '../media/recognise.js';
import { isFileDelivery } from '../mission/segmentation.js';

/** What salvage puts behind a file's name. */
const SALVAGE_ENDINGS = ['.png', '.mp4', '.jpg', '.grades.png', '.thumbnail.jpg', '.concealed.jpg'];

/**
 * By edition id: as downlinked or catalogued, else the file number with the extension its content suggests.
 *
 * @param extensions known from earlier calls, by first segment; added to
 */
export function outputNames(
  editions: readonly Edition[],
  ledger: Holdings,
  extensions: Map<string, string>,
): Map<string, string> {
  return uniqueNames(
    editions.map((edition) => {
      const name = safeName(edition.facts[0]?.name, fallbackName(edition, ledger, extensions));
      // Not as is called what stands beside incomplete files and what is salvaged of them.
      const own = name.replace(/\.gaps\.json$/i, '.gaps_json');
      return { key: edition.id, name: own.replace(/\.(grades|thumbnail|concealed|exact|frame-\d+)$/i, '_$1') };
    }),
  );
}

function fallbackName(edition: Edition, ledger: Holdings, extensions: Map<string, string>): string {
  const { descriptor } = ledger.mission.files;
  if (descriptor?.file === edition.file) return `descriptor.${descriptor.format}`;
  const lane = edition.lanesOf(0)[0];
  const first = `${edition.id} ${lane?.table.hashOf(0)}`;
  const extension = extensions.get(first) ?? extensionOf(edition, lane, ledger);
  extensions.set(first, extension);
  return `${isFileDelivery(ledger.mission) ? 'transaction' : 'file'}-${edition.id}.${extension}`;
}

function extensionOf({ stored }: Edition, lane: Lane | undefined, ledger: Holdings): string {
  const head = Buffer.alloc(ledger.payloadSize);
  if (stored && lane) ledger.readSegments(stored, lane, 0, 1, head);
  return recogniseMedia(head.subarray(0, lane?.table.lengthOf(0) ?? 0)).extension || 'bin';
}

/** What may be written for a file of this name, below the output folder; of clips there may be more. */
export function pathsFor(name: string): string[] {
  return [
    `files/${name}`,
    `partial/${name}`,
    `partial/${name}.gaps.json`,
    ...SALVAGE_ENDINGS.map((ending) => `salvage/${name}${ending}`),
  ];
}
