"""The one table of ranges from which simulated prints are drawn, and its presets."""

from __future__ import annotations

from dataclasses import dataclass, replace

Range = tuple[float, float]
"""Lowest and highest value. Rates, counts and densities are drawn log-uniformly, the rest uniformly."""


@dataclass(frozen=True)
class PrintRanges:
    """Ranges of everything that is drawn anew for a simulated photo of a tape print.

    Shares are 0 to 1, rates are objects per mm2 of print, optical densities are decadic, blurs are standard
    deviations in um on the print. Spore and scale sizes follow the wide bands of the trade (lengths and ratio
    from memory, scales from particle-atlas figures); the rest is common practice, set wide on purpose.
    """

    # spores
    spores: Range = (1, 160)  # in the view, log-uniform; capped by `spore_cover_max`
    no_spore_share: float = 0.12  # share of photos without one
    spore_cover_max: float = 0.30  # share of the view under spores, at most
    spore_length_um: Range = (8.4, 15.6)  # sample mean
    spore_length_cv: Range = (0.04, 0.10)  # within a sample
    spore_ratio: Range = (1.3, 1.8)  # length / width, sample mean
    spore_pointed: Range = (0.0, 1.0)  # 0 ellipse, 1 lemon
    amber_density: Range = (0.20, 1.35)  # of the blue channel at the thickest place
    amber_green: Range = (0.38, 0.72)  # green density / blue density
    amber_red: Range = (0.18, 0.55)  # red density / green density
    spore_index: Range = (0.01, 0.10)  # refractive index over the adhesive's
    clumped_share: Range = (0.0, 0.85)  # share of spores in clumps
    clump_size: Range = (2, 40)  # spores a clump
    heap_share: float = 0.1  # of the photos: some of their clumps are heaps in several layers
    heap_size: Range = (20, 300)
    spores_on_scale_share: Range = (0.0, 0.6)  # put on, under or at the edge of a scale
    # the butterfly
    scale_cover: Range = (0.0, 0.5)  # share of the view
    scale_length_um: Range = (60, 190)  # single scales reach 30 to 500
    scale_width_um: Range = (32, 75)
    ridge_um: Range = (1.2, 3.0)
    piece_rate: Range = (15, 500)
    piece_um: Range = (4, 60)
    hair_rate: Range = (0.5, 40)
    # everything else on a print
    fibre_rate: Range = (0.2, 14)
    bubble_rate: Range = (0.5, 40)
    bubble_um: Range = (15, 220)
    microbubble_rate: Range = (1, 260)
    microbubble_um: Range = (3, 18)
    pollen_rate: Range = (0.3, 25)
    dust_rate: Range = (15, 900)
    dust_um: Range = (1.5, 30)
    mould_rate: Range = (0.3, 25)  # colonies
    droplet_rate: Range = (0.5, 60)
    oval_bubble_rate: Range = (0.5, 60)  # groups of a spore's size, as all below
    conidia_rate: Range = (0.3, 40)
    yellow_rate: Range = (0.3, 25)
    flake_rate: Range = (0.5, 50)
    ridge_rate: Range = (0.2, 10)  # glue ridges
    ink_share: float = 0.06
    look_alike_gain: float = 1.0  # multiplies the rates of all that a hasty eye takes for a spore
    # support and light
    card_share: float = 0.75  # otherwise glass or clear film
    above_share: float = 0.18  # of card prints: light from above
    mottle_density: Range = (0.008, 0.11)  # of the card's cloudiness
    # focus
    focus_blur_um: Range = (0.0, 2.6)  # defocus blur at the best place of the view
    focus_spread_um: Range = (0.0, 3.0)  # further defocus blur from tilt and curvature at the rim
    card_wave_um: Range = (0.0, 1.5)  # from the card's waviness
    fringe: Range = (0.03, 0.5)  # how coherent the light is: strength of bright and dark fringes
    flat_blur: Range = (0.0, 0.6)  # how far the defocus disc is from a soft Gaussian, on half of the photos
    blur_gain: Range = (1.0, 1.8)  # blur at best focus / diffraction limit
    # eyepiece
    round_view_share: float = 0.6
    shade: Range = (0.0, 0.55)  # loss of light at the rim
    tint: Range = (0.82, 1.18)  # of the red and blue light before white balance
    dirt_share: float = 0.25
    distortion_k1: Range = (-0.02, 0.02)
    veil: Range = (0.002, 0.15)  # stray light, relative to the view's mean
    lateral_colour: Range = (0.0, 0.0016)  # relative size difference of red and blue pictures
    # phone
    level: Range = (0.45, 0.92)  # linear level of the empty light
    noise: Range = (0.004, 0.035)  # standard deviation at the empty light, before noise reduction
    smooth_px: Range = (0.0, 1.1)  # noise reduction
    sharpen: Range = (0.0, 1.6)
    local_contrast: Range = (0.0, 0.4)  # the phone's lightening of dark areas and its wide halos
    smear_share: float = 0.15  # share of phones whose noise reduction smears fine detail
    contrast: Range = (0.85, 1.35)
    saturation: Range = (0.7, 1.45)
    jpeg_quality: Range = (60, 97)


PRESETS: dict[str, PrintRanges] = {
    "ordinary": PrintRanges(),
    "good_focus": replace(
        PrintRanges(),
        scale_cover=(0.0, 0.3),
        fibre_rate=(0.1, 5),
        bubble_rate=(0.3, 12),
        above_share=0.1,
        focus_blur_um=(0.0, 0.8),
        focus_spread_um=(0.0, 0.8),
        card_wave_um=(0.0, 0.5),
        noise=(0.003, 0.018),
        spore_cover_max=0.15,
    ),
    "hard": replace(
        PrintRanges(),
        amber_density=(0.15, 1.2),
        scale_cover=(0.1, 0.55),
        fibre_rate=(4, 40),
        hair_rate=(5, 70),
        bubble_rate=(5, 90),
        ridge_rate=(3, 40),
        above_share=0.4,
        mottle_density=(0.02, 0.16),
        focus_blur_um=(0.0, 3.6),
        focus_spread_um=(1.0, 5.5),
        card_wave_um=(0.3, 3.0),
        shade=(0.1, 0.75),
        tint=(0.65, 1.4),
        level=(0.15, 1.1),
        noise=(0.008, 0.07),
        sharpen=(0.0, 2.4),
        jpeg_quality=(45, 92),
        spores=(1, 500),
    ),
    "no_spores": replace(PrintRanges(), no_spore_share=1.0, look_alike_gain=2.4),
    "heavy": replace(
        PrintRanges(),
        spores=(300, 2000),
        no_spore_share=0.0,
        clumped_share=(0.3, 0.95),
        heap_share=0.4,
        spore_cover_max=0.38,
    ),
    "scan_4x": replace(
        PrintRanges(),
        spores=(1, 2000),
        no_spore_share=0.2,
        focus_blur_um=(0.0, 2.0),
        focus_spread_um=(0.0, 2.0),
    ),
}
"""Named tables for `draw_photo`. "ordinary" is the widest everyday world; the others move some ranges."""
