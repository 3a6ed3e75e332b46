// The sets of photographs that the salvage of pictures is scored on: Debian packages and the files in them, which of them have been
// seen by whoever chose a weight, and the sizes they are scored at. Fetched at run time, none kept.
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import sharp from 'sharp';

/**
 * Weights and thresholds were chosen on the first five sets; the second to the fourth were held out before and scored several times
 * since, the fifth was held out before and scored once, and what it showed was mended afterwards; so it went with the sixth, of which
 * one mend came. The clean set was chosen before anything of it was scored, from packages that no other set lists, and was scored once:
 * all colour photographs of 0.7 megapixels or more in seven packages, as cameras on the ground took them (left out: drawings, cut-outs,
 * collages, pictures with something drawn on them, second versions of a picture, and what telescopes saw).
 */
export const sets = {
  tune: { packages: ['lomiri-wallpapers-16.04'], files: /backgrounds\/[^/]+\.jpg$/, most: 8 },
  second: { packages: ['mate-backgrounds'], files: /backgrounds\/mate\/nature\/[^/]+\.jpg$/, most: 8 },
  third: {
    packages: ['plasma-workspace-wallpapers'],
    files: /wallpapers\/(?!Autumn)[^/]+\/contents\/images\/2560x1600\.jpg$/,
    most: 8,
  },
  fourth: {
    packages: ['lxqt-themes', 'palapeli-data'],
    files:
      /wallpapers\/(after-the-rain|appleflower|beam|butterfly|cloud|drop|flowers|fog|this-is-not-windows|Valendas)\.(jpg|png)$|palapeli\/collection\/[^/]+\.jpg$/,
    most: 15,
  },
  fifth: {
    packages: ['opencv-doc', 'python3-sklearn', 'lomiri-wallpapers-20.04'],
    files:
      /examples\/data\/(aero1|aero3|aloeL|apple|baboon|board|building|chicky_512|ela_original|fruits|graf1|left|leuvenA|licenseplate_motion|orange|stuff)\.(jpg|png)$|examples\/text\/scenetext(_segmented_word)?0\d\.jpg$|sklearn\/datasets\/images\/(china|flower)\.jpg$|backgrounds\/Kleiber[^/]+\.jpg$/,
    most: 30,
  },
  sixth: {
    packages: [
      'tuxtype-data',
      'renpy-demo',
      'darknet',
      'digikam-data',
      'python-kivy-examples',
      'qtdeclarative5-examples',
    ],
    files:
      /tuxtype\/images\/kcas\d+\.jpg$|demo\/game\/(gui\/main_menu\.jpg|images\/bg (cave|panorama|washington|whitehouse)\.(jpg|webp))$|darknet\/data\/kite\.jpg$|about\/images\/body-background\.jpg$|pictures\/images\/Wall\.jpg$|pics\/niagara_falls\.jpg$/,
    most: 30,
  },
  clean: {
    packages: [
      'sddm-theme-maldives',
      'texlive-latex-extra-doc',
      'texlive-publishers-doc',
      'texlive-pictures-doc',
      'texlive-science-doc',
      'kodi-data',
      'labelme-examples',
    ],
    files:
      /maldives\/background\.jpg$|beamerdarkthemes\/img_5630\.jpg$|trigon\/library\.jpg$|photos\/frog\.jpg$|mla-example-image\.jpg$|logo\/building\.jpg$|pics\/(Chrysanthemum|Penguins|Tulips)\.jpg$|hvfloat\/sonne-meer\.jpg$|xput\/koepi\.jpg$|img\/chapitre\.jpg$|home-images\/movie\.jpg$|tutorial\/apc2016_obj3\.jpg$/,
    most: 30,
  },
} satisfies Record<string, { packages: string[]; files: RegExp; most: number }>;

export type SetName = keyof typeof sets;

/** The photographs of `packages` (fetched by apt) whose path fits `files`, as they come, in order of their path. */
export function fetchPhotographs(packages: readonly string[], files: RegExp): Buffer[] {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-bench-'));
  try {
    execFileSync('apt-get', ['download', ...packages], { cwd: folder, stdio: 'ignore' });
    for (const deb of fs.readdirSync(folder).filter((name) => name.endsWith('.deb')))
      execFileSync('dpkg-deb', ['-x', deb, 'x'], { cwd: folder });
    const from = path.join(folder, 'x');
    const names = fs.readdirSync(from, { recursive: true, encoding: 'utf8' }).filter((name) => files.test(name));
    return names.sort().map((name) => fs.readFileSync(path.join(from, name)));
  } finally {
    fs.rmSync(folder, { recursive: true, force: true });
  }
}

/** Smaller than it comes, so that traces of its own coding are averaged out; at most 2.2 megapixels. */
export async function resized(file: Buffer): Promise<Buffer> {
  const { width, height } = await sharp(file).metadata();
  return await png(file, Math.round(width * Math.min(0.75, Math.sqrt(2.2e6 / (width * height)))));
}

/** In its own size, at most 4 megapixels; cut by 4 pixels left and above, so that the blocks of its own coding are not ours. */
export async function ownSize(file: Buffer): Promise<Buffer> {
  const { width, height } = await sharp(file).metadata();
  const scaled = await png(file, Math.round(width * Math.min(1, Math.sqrt(4e6 / (width * height)))));
  const { width: across, height: down } = await sharp(scaled).metadata();
  const cut = { left: 4, top: 4, width: across - 4, height: down - 4 };
  return await sharp(scaled).extract(cut).png({ compressionLevel: 0 }).toBuffer();
}

function png(file: Buffer, width: number): Promise<Buffer> {
  const picture = sharp(file).removeAlpha().toColourspace('srgb').resize(width);
  return picture.png({ compressionLevel: 0 }).toBuffer();
}
