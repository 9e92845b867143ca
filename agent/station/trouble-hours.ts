import { secondsBetween, type MonoSeconds, type UtcMillis } from '../terms/terms.js'

/** A sensor as far as its age goes. */
export interface Aging {
  readonly name: string
  readonly slot?: string
  /** It ran since the last look. */
  readonly ran: boolean
}

/** The unit that stands in a slot, by the site log. */
export interface StandingUnit {
  readonly slot?: string
  readonly serial: string
  readonly from?: UtcMillis
}

interface Counted {
  readonly unit: string
  readonly seconds: number
}

const longestStepSeconds = 1200

/**
 * Running hours by slot. A unit that the site log names begins with the time since it was installed, as if it had run all
 * along: what ran before the station counted is not known, and an early reminder does no harm.
 */
export class RunningHours {
  private readonly bySlot = new Map<string, Counted>()
  private lookedAt: MonoSeconds | undefined

  restore(saved: unknown): void {
    for (const [slot, one] of Object.entries(Object(saved) as Record<string, unknown>)) {
      const { unit, seconds } = Object(one) as Partial<Counted>
      if (typeof unit === 'string' && Number.isFinite(seconds))
        this.bySlot.set(slot, { unit, seconds: seconds! })
    }
  }

  save(): Readonly<Record<string, Counted>> {
    return Object.fromEntries(this.bySlot)
  }

  look(sensors: readonly Aging[], units: readonly StandingUnit[], now: MonoSeconds, utc?: UtcMillis): void {
    const passed = Math.min(longestStepSeconds, secondsBetween(this.lookedAt ?? now, now))
    this.lookedAt = now
    for (const { slot, ran } of sensors) {
      const standing = units.find((unit) => unit.slot === slot)
      const unit = standing ? `${standing.serial} ${standing.from ?? ''}` : ''
      const known = this.bySlot.get(slot ?? '')
      const isNew = unit !== '' && known?.unit !== unit
      // How old a new unit is can be said once the time is known.
      if (isNew && standing!.from !== undefined && utc === undefined) continue
      const before = isNew ? sinceInstalled(standing!, utc) : (known?.seconds ?? 0)
      const seconds = before + (ran && !isNew ? passed : 0)
      this.bySlot.set(slot ?? '', {
        unit: isNew ? unit : (known?.unit ?? unit),
        seconds: Math.round(seconds),
      })
    }
  }

  hours(slot: string | undefined): number {
    return Math.floor((this.bySlot.get(slot ?? '')?.seconds ?? 0) / 3600)
  }
}

const sinceInstalled = ({ from }: StandingUnit, utc?: UtcMillis): number =>
  from === undefined || utc === undefined ? 0 : Math.max(0, (utc - from) / 1000)
