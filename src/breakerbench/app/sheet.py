"""The style of the window's plain parts, made of the inks."""

from __future__ import annotations

from PySide6.QtGui import QColor, QPalette

from breakerbench.app.theme import TOUCH_PX, Inks


def palette(inks: Inks) -> QPalette:
    """Colours of what the style sheet does not name."""
    made = QPalette()
    roles = {
        QPalette.ColorRole.Window: inks.paper,
        QPalette.ColorRole.WindowText: inks.ink,
        QPalette.ColorRole.Base: inks.card,
        QPalette.ColorRole.AlternateBase: inks.paper,
        QPalette.ColorRole.Text: inks.ink,
        QPalette.ColorRole.Button: inks.card,
        QPalette.ColorRole.ButtonText: inks.ink,
        QPalette.ColorRole.Highlight: inks.accent,
        QPalette.ColorRole.HighlightedText: inks.on_accent,
        QPalette.ColorRole.ToolTipBase: inks.card,
        QPalette.ColorRole.ToolTipText: inks.ink,
        QPalette.ColorRole.PlaceholderText: inks.muted,
        QPalette.ColorRole.Link: inks.accent,
    }
    for role, colour in roles.items():
        made.setColor(role, QColor(colour))
    for role in (
        QPalette.ColorRole.WindowText,
        QPalette.ColorRole.Text,
        QPalette.ColorRole.ButtonText,
    ):
        made.setColor(QPalette.ColorGroup.Disabled, role, QColor(inks.muted))
    return made


def sheet(inks: Inks) -> str:
    """Style sheet of the whole program."""
    return f"""
    QWidget {{ background: {inks.paper}; color: {inks.ink}; }}
    QLabel, QCheckBox {{ background: transparent; }}
    #card {{ background: {inks.card}; border: 1px solid {inks.line}; border-radius: 3px; }}
    #card QWidget {{ background: {inks.card}; }}
    #top {{ border-bottom: 2px solid {inks.line}; }}
    #notice {{ background: {inks.notice}; }}
    #notice QLabel {{ color: {inks.on_notice}; font-weight: bold; }}
    #trouble {{ background: {inks.fail}; }}
    #trouble QLabel {{ color: {inks.on_fail}; font-weight: bold; }}
    #foot {{ border-top: 2px solid {inks.line}; }}
    #foot QLabel#now {{ border-left: 8px solid {inks.accent}; padding-left: 12px; }}
    QPushButton {{ background: {inks.card}; color: {inks.ink}; border: 2px solid {inks.line};
                   border-radius: 4px; padding: 4px 12px; min-height: {TOUCH_PX - 14}px; }}
    QPushButton:hover {{ border-color: {inks.muted}; }}
    QPushButton:focus {{ border-color: {inks.accent}; }}
    QPushButton:pressed {{ background: {inks.band}; }}
    QPushButton:checked {{ background: {inks.band}; border-color: {inks.accent}; }}
    QPushButton:disabled {{ color: {inks.muted}; background: {inks.paper}; }}
    QPushButton#go {{ background: {inks.accent}; color: {inks.on_accent}; font-weight: bold;
                      border: 3px solid {inks.accent}; }}
    QPushButton#go:focus {{ border-color: {inks.ink}; }}
    QPushButton#go:disabled {{ background: {inks.paper}; color: {inks.muted};
                               border: 3px dashed {inks.line}; }}
    QPushButton#step {{ text-align: left; border: none; border-left: 6px solid transparent;
                        border-radius: 0; background: {inks.paper}; padding: 3px 8px; }}
    QPushButton#step:hover {{ background: {inks.band}; }}
    QPushButton#step:focus {{ background: {inks.band}; }}
    QPushButton#step:checked {{ border-left: 6px solid {inks.accent}; background: {inks.card}; }}
    QAbstractSpinBox {{ background: {inks.card}; min-height: {TOUCH_PX - 10}px; }}
    QLineEdit, QComboBox {{
        background: {inks.card}; border: 2px solid {inks.line}; border-radius: 4px;
        padding: 2px 10px; min-height: {TOUCH_PX - 16}px; selection-background-color: {inks.accent};
        selection-color: {inks.on_accent}; }}
    QAbstractSpinBox QLineEdit {{ border: none; padding: 0; min-height: 0; }}
    QLineEdit:focus, QComboBox:focus {{ border-color: {inks.accent}; }}
    QComboBox::drop-down {{ border: none; width: 34px; }}
    QComboBox QAbstractItemView {{ background: {inks.card}; border: 2px solid {inks.accent};
        selection-background-color: {inks.accent}; selection-color: {inks.on_accent}; }}
    QComboBox QAbstractItemView::item {{ min-height: {TOUCH_PX - 16}px; }}
    QListWidget, QTextBrowser, QScrollArea {{ background: {inks.card};
        border: 1px solid {inks.line}; }}
    QListWidget:focus, QTextBrowser:focus {{ border: 1px solid {inks.accent}; }}
    QListWidget::item {{ padding: 6px 8px; border-bottom: 1px solid {inks.line}; }}
    QListWidget::item:selected {{ background: {inks.band}; color: {inks.ink};
        border-left: 5px solid {inks.accent}; }}
    QScrollBar:vertical {{ background: {inks.paper}; width: 22px; }}
    QScrollBar::handle:vertical {{ background: {inks.line}; min-height: 40px; border-radius: 4px;
        margin: 3px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    QToolTip {{ background: {inks.card}; color: {inks.ink}; border: 1px solid {inks.muted}; }}
    """
