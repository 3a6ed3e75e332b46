// Where one file is drawn: it stands there under a second name, so that what is written over it meanwhile changes nothing for the
// reader, and what is drawn of it lies there until it is taken over. Below the output folder, beside the folders that users look at.
import fs from 'node:fs';
import path from 'node:path';
import type { OutputFolder } from '../files/output-folder.js';

const PLACES = 'drawing.part';

/** Clears away what a run that was killed left. */
export function clearDrawingPlaces(folder: OutputFolder): void {
  fs.rmSync(folder.resolve(PLACES), { recursive: true, force: true });
}

export class DrawingPlace {
  /** The file as it is now. */
  readonly input: string;
  /** Path without extension of what is drawn. */
  readonly outBase: string;
  readonly #folder: OutputFolder;
  readonly #own: string;

  /** @param relative the file below the output folder; @param number of no other place */
  constructor(folder: OutputFolder, relative: string, number: number) {
    this.#folder = folder;
    this.#own = folder.resolve(`${PLACES}/${number}`);
    this.input = path.join(this.#own, 'file');
    const drawn = path.join(this.#own, 'drawn');
    fs.mkdirSync(drawn, { recursive: true });
    this.outBase = path.join(drawn, path.basename(relative));
    const source = folder.resolve(relative);
    try {
      fs.linkSync(source, this.input);
    } catch {
      // Some file systems give a file one name only.
      fs.copyFileSync(source, this.input, fs.constants.COPYFILE_FICLONE);
    }
  }

  /** Moves what was drawn to salvage/; `paths` as `pathOf` gives them. */
  take(drawn: readonly string[]): void {
    for (const file of drawn) fs.renameSync(file, this.#folder.resolve(salvagePath(file)));
  }

  discard(): void {
    fs.rmSync(this.#own, { recursive: true, force: true });
  }
}

/** Where a file that was drawn ends up, below the output folder. */
export function salvagePath(drawn: string): string {
  return `salvage/${path.basename(drawn)}`;
}
