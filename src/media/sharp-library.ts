// The picture library, loaded when it is first needed: that takes longer than many a command does without it.
import { createRequire } from 'node:module';
import type sharp from 'sharp';

const require = createRequire(import.meta.url);
let loaded: typeof sharp | undefined;

/** The function that opens a picture. */
export function sharpLibrary(): typeof sharp {
  loaded ??= require('sharp') as typeof sharp;
  return loaded;
}
