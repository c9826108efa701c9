import { DAY } from "./zone";

const RAD = Math.PI / 180;

/**
 * Sunrise and sunset of the solar day around `noon` (a moment near local noon), ms; null where the
 * sun stays up or down all day. Sunrise equation with mean anomaly, equation of the centre and
 * ecliptic longitude as in Meeus, Astronomical Algorithms, 2nd ed., chapters 15 and 25 (low
 * accuracy); good to about two minutes below 60 degrees of latitude.
 */
export function sunlight(noon: number, latitude: number, longitude: number): { rise: number; set: number } | null {
  const julian = noon / DAY + 2440587.5;
  const day = Math.round(julian - 2451545.0 + longitude / 360) - longitude / 360;
  const anomaly = (357.5291 + 0.98560028 * day) % 360;
  const centre =
    1.9148 * Math.sin(anomaly * RAD) + 0.02 * Math.sin(2 * anomaly * RAD) + 0.0003 * Math.sin(3 * anomaly * RAD);
  const ecliptic = (anomaly + centre + 180 + 102.9372) % 360;
  const transit = 2451545.0 + day + 0.0053 * Math.sin(anomaly * RAD) - 0.0069 * Math.sin(2 * ecliptic * RAD);
  const declination = Math.asin(Math.sin(ecliptic * RAD) * Math.sin(23.4397 * RAD));
  // Refraction and the sun's radius: it rises when its centre stands 0.833 degrees below the horizon.
  const cosine =
    (Math.sin(-0.833 * RAD) - Math.sin(latitude * RAD) * Math.sin(declination)) /
    (Math.cos(latitude * RAD) * Math.cos(declination));
  if (cosine < -1 || cosine > 1) return null;
  const half = Math.acos(cosine) / RAD / 360;
  const toMs = (j: number) => (j - 2440587.5) * DAY;
  return { rise: toMs(transit - half), set: toMs(transit + half) };
}

/** The nights that touch a range. */
export function nights(from: number, to: number, latitude: number, longitude: number): { from: number; to: number }[] {
  const found: { from: number; to: number }[] = [];
  // Solar noon comes 4 minutes earlier for each degree east.
  const noonShift = DAY / 2 - (longitude / 360) * DAY;
  let previous: { rise: number; set: number } | null = null;
  for (let day = Math.floor(from / DAY) - 1; day * DAY < to + DAY; day++) {
    const light = sunlight(day * DAY + noonShift, latitude, longitude);
    if (previous !== null && light !== null && light.rise > from && previous.set < to) {
      found.push({ from: previous.set, to: light.rise });
    }
    previous = light;
  }
  return found;
}
